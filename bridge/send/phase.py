"""Where the beats of a pedal fall: the deck's beats as a straight line, and how far off the line that was told is."""

from __future__ import annotations

from collections import deque
from fractions import Fraction
from itertools import combinations
from math import inf
from statistics import median

from bridge.units import period_s

OF_BEATS = 5
"""The line goes through the middle of so many of the newest beats, so that one that is off moves nothing."""

SLOPE_NEAR = 0.02
"""Share by which the newest beats may be quicker or slower than the deck's tempo, a mean over a longer time."""

OFF_S = 0.002
"""A pedal is told again when its beats are off by more than this, in seconds: a tenth of what is promised, and less
than the 3 ms within which a last tap is promised."""

LOST_S = 4.0
"""Beats from before a pause of this length, in seconds, say nothing of those behind it."""


class Phase:
    """The beats of one deck, and those that its pedals were told.

    Times are in seconds of any one clock.
    """

    def __init__(self) -> None:
        self._beats: deque[tuple[float, int]] = deque(maxlen=OF_BEATS)
        self._told: tuple[float, float, float] | None = None  # a time, beats of the pedal then, its tempo

    def beat(self, at: float, index: int) -> None:
        """Take in a beat of the deck: its time, and its number, which grows by 1 from beat to beat."""
        if self._beats and at - self._beats[-1][0] > LOST_S:
            self._beats.clear()
        self._beats.append((at, index))

    @property
    def known(self) -> bool:
        """Whether there is a beat."""
        return bool(self._beats)

    def forget(self, before: float = inf) -> None:
        """Take the beats before that time, in seconds, for those of another tape; all of them if there is none."""
        while self._beats and self._beats[0][0] < before:
            self._beats.popleft()

    def beats_at(self, at: float, tempo: float) -> float | None:
        """Return the deck's beats at time ``at``, fraction included, at ``tempo`` bpm; None before there is a beat."""
        if not self._beats:
            return None
        newest_at, per_s = self._beats[-1][0], self._per_s(tempo)
        ahead = median(index + (newest_at - beat_at) * per_s for beat_at, index in self._beats)
        return ahead + (at - newest_at) * per_s

    def _per_s(self, tempo: float) -> float:
        """Return beats a second: the middle slope of all pairs, since on a tape that drifts the deck's tempo lags.

        Source: P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", JASA 63 (1968).
        """
        told = 1.0 / period_s(tempo)
        if len(self._beats) < 3:
            return told
        slopes = [(n - m) / (later - earlier) for (earlier, m), (later, n) in combinations(self._beats, 2)]
        return min(told * (1.0 + SLOPE_NEAR), max(told * (1.0 - SLOPE_NEAR), median(slopes)))

    def told(self, at: float, beats: float | None, tempo: float) -> None:
        """Note what the pedals are told: beats of theirs at a time, and their tempo in bpm."""
        self._told = None if beats is None else (at, beats, tempo)

    def off_s(self, at: float, beats: float, ratio: Fraction) -> float:
        """Return how far ahead of the told line ``beats`` of the pedals are at time ``at``, in seconds.

        A beat of the deck may fall on a beat of the pedals, or as far between two as ``ratio`` can bring it. Infinite
        before anything was told.
        """
        if self._told is None:
            return inf
        grid = 1.0 / ratio.denominator
        told_at, told, tempo = self._told
        off = beats - (told + (at - told_at) / period_s(tempo))
        return (off - grid * round(off / grid)) * period_s(tempo)
