"""What is known before anything is heard: a deck's tempo range, a card, taps, the tempo that was held.

A pulse heard at a tempo may as well be half or double. What is known here decides the octave, which is then kept: it
moves with a reason only (a speed switch, another tape, a hand).
"""

from __future__ import annotations

from math import ceil, floor, log2, sqrt

import numpy as np
from numpy.typing import NDArray

from bridge.units import RANGE_SLACK, TEMPO_MAX, TEMPO_MIN, checked_tempo

SAME_TEMPO = 0.06
"""Two tempos that differ by less than this, as a fraction and whole octaves aside, can be one tape that drifted."""

USUAL_SPREAD = 0.34
"""Spread of the tempos nobody told anything of, around the middle of the deck's range: standard deviation of the
natural logarithm."""

TOLD_SPREAD = 0.04
"""Spread of a tempo that a card or taps told, or that was held."""

DOUBT = 0.02
"""Part of the prior that stays with the usual tempos when one is told: it may be wrong."""

MISREAD_NEAR, MISREAD_RARE = 0.1, 1e-4
"""Octaves about 3/2 and 2/3 of a told tempo, others aside, at which a beat in three is taken for one in two; and how
much less likely it is there that the told one is wrong: it would have to be wrong by just as much."""


def octave_gap(tempo: float, other: float) -> float:
    """Return how far two tempos are apart in octaves, whole octaves left out: -0.5..0.5."""
    gap = log2(tempo / other)
    return gap - round(gap)


def misread(tempo: float, told: float) -> bool:
    """Return whether a tempo is what comes of a beat at the told one when three are taken for two, or the other way."""
    return min(abs(octave_gap(tempo, 3 * told)), abs(octave_gap(3 * tempo, told))) < MISREAD_NEAR


def limits(tempo_range: tuple[float, float]) -> tuple[float, float]:
    """Return the slowest and fastest tempo that may be heard where a rig names this range: a little beyond it.

    Raises:
        ValueError: The range is not increasing, or reaches outside 20..400 bpm.
    """
    slowest, fastest = checked_tempo(tempo_range[0]), checked_tempo(tempo_range[1])
    if not slowest < fastest:
        raise ValueError(f"tempo_range must increase, got {tempo_range!r}")
    return max(TEMPO_MIN, slowest / RANGE_SLACK), min(TEMPO_MAX, fastest * RANGE_SLACK)


def folded(tempo: float, tempo_range: tuple[float, float], near: float | None = None) -> float | None:
    """Return a tempo moved by octaves into a range; None where none of its octaves lies there.

    Args:
        tempo: In bpm.
        tempo_range: Slowest and fastest tempo in bpm.
        near: Of several octaves take the one nearest to this tempo; None takes the range's geometric middle.
    """
    low, high = limits(tempo_range)
    centre = middle(tempo_range) if near is None else near
    octaves = range(ceil(log2(low / tempo)), floor(log2(high / tempo)) + 1)
    return min((tempo * 2.0**octave for octave in octaves), key=lambda one: abs(log2(one / centre)), default=None)


def middle(tempo_range: tuple[float, float]) -> float:
    """Return the geometric middle of a range of tempos."""
    return sqrt(tempo_range[0] * tempo_range[1])


def tempo_prior(
    tempos: NDArray[np.float64], centre: float, told: float | None = None, doubt: float = DOUBT
) -> NDArray[np.float64]:
    """Return the probability of each tempo.

    Args:
        tempos: Shape (rows,), bpm, in equal ratios.
        centre: Middle of the deck's range in bpm.
        told: A tempo told by a card or taps, or held, in bpm; None where nothing is known.
        doubt: Part of the prior that stays with the usual tempos when one is told: it may be wrong.

    Returns:
        Shape (rows,), sums to 1.

    Raises:
        ValueError: ``told`` is not above 0, or NaN.
    """
    usual = _log_normal(tempos, centre, USUAL_SPREAD)
    if told is None:
        return usual
    if not told > 0:
        raise ValueError(f"a told tempo must be above 0 bpm, got {told!r}")
    elsewhere = np.where([misread(tempo, told) for tempo in tempos], MISREAD_RARE * usual, usual)
    return (1 - doubt) * _log_normal(tempos, told, TOLD_SPREAD) + doubt * elsewhere


def _log_normal(tempos: NDArray[np.float64], centre: float, spread: float) -> NDArray[np.float64]:
    density = np.exp(-0.5 * (np.log(tempos / centre) / spread) ** 2) + 1e-12
    total: NDArray[np.float64] = density / density.sum()
    return total
