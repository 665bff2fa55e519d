"""Which pulse the onsets keep, how firmly, and where its beats fall.

A pulse shows as an activation that resembles itself one, two and three periods earlier (autocorrelation).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.follow.activation import MEMORY
from bridge.follow.features import HOPS_PER_S

Curve = NDArray[np.float64]

SHORTEST = 176
"""Hops of sound below which nothing is believed: 2 s."""

_FASTEST_TEMPO = 230.0
_SLOWEST_TEMPO = 40.0
_LAGS = np.arange(int(60 * HOPS_PER_S / _FASTEST_TEMPO), int(60 * HOPS_PER_S / _SLOWEST_TEMPO) + 2)
_FLATTEST = 0.055
"""RMS of the onsets of anything with a beat. Measured: hiss, horns, steady and beating tones 0.002 to 0.04, drums under
a bed 0.08 and more."""

_TREMBLING = slice(3, 15)
"""Lags at which a tremolo, and syllables, resemble themselves more than at any beat: 35 to 170 ms."""

_STEADIER_THAN_TREMBLING = 0.8
_PERIODS_COMPARED = 3
_REACH = 0.7
_PHASES_A_HOP = 2


@dataclass(frozen=True, slots=True)
class Pulse:
    """A regular beat that was heard.

    Attributes:
        period: Hops a beat, with a fraction.
        strength: Mean likeness to itself at one to three periods: about 0.1 in noise, 0.3 to 0.9 with drums, at most 1.
    """

    period: float
    strength: float


def likeness(onsets: Curve) -> Curve:
    """Return how much a curve resembles itself at each lag.

    Args:
        onsets: Shape (hops,), as `Activation.recent` gives it.

    Returns:
        Shape (hops,): 1 at lag 0, about 0 where there is no likeness; 0 throughout where the onsets are too weak.
    """
    hops = len(onsets)
    centred = onsets - onsets.mean()
    spectrum = np.fft.rfft(centred, 2 * MEMORY if hops > MEMORY // 2 else MEMORY)
    raw = np.fft.irfft(spectrum.real**2 + spectrum.imag**2)[:hops]
    if not raw[0] > _FLATTEST**2 * hops:
        return np.zeros(hops)
    overlap = np.maximum(hops - np.arange(hops), hops // 4)
    curve: Curve = raw / raw[0] * hops / overlap
    return curve


def strongest(alike: Curve, allowed: NDArray[np.bool_]) -> Pulse | None:
    """Return the strongest pulse between 40 and 230 bpm; None where no lag stands out.

    Args:
        alike: As `likeness` gives it.
        allowed: Shape of `lags`: which lags may be considered.
    """
    reach = int(len(alike) * _REACH)
    lags = _LAGS[reach >= 2 * _LAGS]
    if len(lags) < 3:
        return None
    sums, counts = alike[lags] + alike[2 * lags], np.full(len(lags), 2.0)
    third = 3 * lags <= reach
    sums[third] += alike[3 * lags[third]]
    counts[third] += 1.0
    scores = sums / counts
    peaks = (
        np.flatnonzero((scores[1:-1] >= scores[:-2]) & (scores[1:-1] >= scores[2:]) & allowed[1 : len(lags) - 1]) + 1
    )
    if not len(peaks):
        return None
    best = int(peaks[np.argmax(scores[peaks])])
    if not float(alike[_TREMBLING].max()) < _STEADIER_THAN_TREMBLING * scores[best]:
        return None
    return Pulse(_refined(alike, float(lags[best]), reach), float(scores[best]))


def lags() -> NDArray[np.intp]:
    """Return the lags in hops that `strongest` considers, shape (lags,)."""
    return _LAGS.copy()


def strength_at(alike: Curve, period: float) -> float:
    """Return the strength of the pulse of a known period, to within 3 % of it.

    Args:
        alike: As `likeness` gives it.
        period: Hops a beat.
    """
    found = []
    for multiple in range(1, _PERIODS_COMPARED + 1):
        middle, spread = multiple * period, max(1.0, 0.03 * multiple * period)
        low, high = int(middle - spread), int(middle + spread) + 2
        if high <= len(alike) * _REACH:
            found.append(float(alike[low:high].max()))
    return sum(found) / len(found) if found else 0.0


def latest_beat(onsets: Curve, period: float) -> float:
    """Return where the latest beat of a pulse falls, in hops before the newest one: 0 or more, less than a period.

    Args:
        onsets: Shape (hops,), newest last.
        period: Hops a beat.
    """
    rising = np.maximum(onsets, 0.0)
    ages = np.arange(0.0, period, 1.0 / _PHASES_A_HOP)
    beats = np.arange(int((len(onsets) - 1 - period) / period) + 1) * period
    places = len(onsets) - 1 - ages[:, None] - beats[None, :]
    sums = np.interp(places, np.arange(len(onsets)), rising).sum(axis=1)
    return float(ages[np.argmax(sums)])


def onset_near(onsets: Curve, age: float, reach: float) -> tuple[float, float]:
    """Return the strongest onset near a place: its age in hops, and its height.

    Args:
        onsets: Shape (hops,), newest last.
        age: Where to look, in hops before the newest.
        reach: How far to both sides, in hops; an onset at the edge counts half of one in the middle.
    """
    middle = len(onsets) - 1 - age
    low, high = max(1, int(np.ceil(middle - reach))), min(len(onsets) - 2, int(middle + reach))
    if high < low:
        return age, 0.0
    places = np.arange(low, high + 1)
    seen = onsets[low : high + 1] * (1.0 - 0.5 * np.abs(places - middle) / reach)
    peak = low + int(np.argmax(seen))
    return len(onsets) - 1 - _vertex(onsets, peak), float(onsets[peak])


def _refined(alike: Curve, lag: float, reach: int) -> float:
    """Return the period by ever longer lags: the peak at m periods tells the period m times as finely."""
    period = lag
    multiple = 1
    while multiple * (period + 1) + 2 < reach:
        spread = max(1, round(0.02 * multiple * period))
        centre = round(multiple * period)
        low = centre - spread
        peak = low + int(np.argmax(alike[low : centre + spread + 1]))
        if alike[peak] < 0.4 * alike[round(lag)]:
            break
        period = _vertex(alike, peak) / multiple
        multiple += 1
    return period


def _vertex(curve: Curve, peak: int) -> float:
    """Return the place of a peak between samples, by the parabola through it and its neighbours."""
    before, at, after = curve[peak - 1 : peak + 2]
    if not (at >= before and at >= after and before + after < 2 * at):
        return float(peak)
    return float(peak + 0.5 * (before - after) / (before - 2 * at + after))
