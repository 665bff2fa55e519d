"""Where the strokes of a loop truly lie near the beats of a follower, which may be some ms late or off. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

ROWS_PER_S = 1000
"""Rises are looked for in steps of a ms."""

REACH_S = 0.04
"""Strokes are looked for so far around the beats."""

TIMES_USUAL = 3.0
"""Strokes are believed where they rise so many times more than the sound usually does around the beats."""

RISE = 0.3
"""And by so much, as the natural logarithm of power, on average over the beats."""

STRETCH_BEATS = 0.15
"""The end of a loop is moved by so many beats at most, so that it goes on as its begin does."""

ALIKE = 0.6
"""Begin and end of a loop are laid on each other where their rises are as alike as this: correlation, 0..1."""

_STILL_S = 0.002  # what is off by less stays: it is no better known
_AROUND = 10  # rows before and after a stroke that tell its rise: two periods of the lowest tone or more

Line = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """How a cut is moved on to its strokes.

    Attributes:
        begin_s: By how much its begin is later.
        end_s: By how much its end is later.
    """

    begin_s: float
    end_s: float


def rises_of(sound: NDArray[np.floating], rate: int) -> Line:
    """Return how quickly sound gets louder, each ms; 0 where it does not. Shape (frames, channels) makes (rows,)."""
    bright = np.diff(sound.mean(axis=1), prepend=0.0) ** 2
    edges = (np.arange(int(len(bright) / rate * ROWS_PER_S) + 1) * rate / ROWS_PER_S).astype(int)
    powers = np.add.reduceat(bright, edges[:-1]) if len(edges) > 1 else np.zeros(0)
    rises = np.zeros(len(powers))
    if len(powers) >= 2 * _AROUND:
        means = np.convolve(powers, np.ones(_AROUND) / _AROUND, "valid")  # each from its row on
        levels = np.log(means + 1e-3 * means.max() + 1e-20)
        rises[_AROUND : _AROUND + len(levels) - _AROUND] = np.maximum(0.0, levels[_AROUND:] - levels[:-_AROUND])
    return rises


def moved(rises: Line, beats_s: Line) -> Moved:
    """Return how a cut is moved so that it begins and ends on strokes, and goes on at its end as at its begin.

    Args:
        rises: As `rises_of` gives them.
        beats_s: When each beat of the cut is, its end included, in seconds since the first row.

    Returns:
        No move where the sound has no clear strokes near the beats, or does not repeat itself.
    """
    stretch = _stretch(rises, beats_s)
    beats = beats_s + np.linspace(0.0, stretch, len(beats_s))
    reach = round(REACH_S * ROWS_PER_S)
    rows = np.round(beats[:, None] * ROWS_PER_S).astype(int) + np.arange(-reach, reach + 1)
    inside = (rows >= 0) & (rows < len(rises))
    profile = np.where(inside, rises[np.clip(rows, 0, len(rises) - 1)], 0.0).mean(axis=0)
    best = int(np.argmax(profile))
    if not (profile[best] > RISE and profile[best] > TIMES_USUAL * profile.mean()):
        return Moved(begin_s=0.0, end_s=0.0)
    shift = (best - reach) / ROWS_PER_S
    shift = 0.0 if abs(shift) < _STILL_S else shift
    return Moved(begin_s=shift, end_s=shift + stretch)


def _stretch(rises: Line, beats_s: Line) -> float:
    """Return by how much the end is later than the place at which the sound goes on as at the begin."""
    beat = float(beats_s[1] - beats_s[0])
    half, reach = int(beat * ROWS_PER_S), int(STRETCH_BEATS * beat * ROWS_PER_S)
    begin, end = (round(float(at) * ROWS_PER_S) for at in (beats_s[0], beats_s[-1]))
    first = _part(rises, begin - half, begin + half)
    likes = [_alike(first, _part(rises, end + lag - half, end + lag + half)) for lag in range(-reach, reach + 1)]
    best = int(np.argmax(likes))
    lag = (best - reach) / ROWS_PER_S
    return lag if likes[best] >= ALIKE and abs(lag) >= 2 * _STILL_S else 0.0


def _part(line: Line, begin: int, end: int) -> Line:
    padded = np.zeros(end - begin)
    low, high = max(0, begin), min(len(line), end)
    if high > low:
        padded[low - begin : high - begin] = line[low:high]
    return padded


def _alike(one: Line, other: Line) -> float:
    one, other = one - one.mean(), other - other.mean()
    norm = float(np.sqrt((one @ one) * (other @ other)))
    return float(one @ other) / norm if norm > 0.0 else 0.0
