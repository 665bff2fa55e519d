"""What is known before anything is heard: a deck's tempo range, and the octave that was kept so far.

A pulse heard at a tempo may as well be half or double. The octave is chosen by the range, nearest to its geometric
middle, and then kept: it moves with a reason only (a speed switch, another tape).
"""

from __future__ import annotations

from math import ceil, floor, log2, sqrt

from bridge.units import TEMPO_MAX, TEMPO_MIN, checked_tempo

SAME_TEMPO = 0.06
"""Two tempos that differ by less than this, as a fraction and whole octaves aside, can be one tape that drifted."""

_SLACK = 1.03


def octave_gap(tempo: float, other: float) -> float:
    """Return how far two tempos are apart in octaves, whole octaves left out: -0.5..0.5."""
    gap = log2(tempo / other)
    return gap - round(gap)


class Prior:
    """The octave that a tempo is read in.

    Args:
        tempo_range: Slowest and fastest tempo in bpm.

    Raises:
        ValueError: The range is not increasing, or reaches outside 20..400 bpm.
    """

    def __init__(self, tempo_range: tuple[float, float]) -> None:
        slowest, fastest = checked_tempo(tempo_range[0]), checked_tempo(tempo_range[1])
        if not slowest < fastest:
            raise ValueError(f"tempo_range must increase, got {tempo_range!r}")
        self._low = max(TEMPO_MIN, slowest / _SLACK)
        self._high = min(TEMPO_MAX, fastest * _SLACK)
        self._middle = sqrt(slowest * fastest)
        self._kept: float | None = None

    def fold(self, tempo: float) -> float | None:
        """Return ``tempo`` moved by octaves into the range; None where none of its octaves lies there.

        Near the tempo that was kept, or an octave of it, the octave stays as it was.
        """
        near = self._middle
        if self._kept is not None and abs(octave_gap(tempo, self._kept)) < log2(1 + SAME_TEMPO):
            near = self._kept
        octaves = range(ceil(log2(self._low / tempo)), floor(log2(self._high / tempo)) + 1)
        folded = [tempo * 2.0**octave for octave in octaves]
        return min(folded, key=lambda one: abs(log2(one / near)), default=None)

    def keep(self, tempo: float) -> None:
        """Let later tempos near this one, or near an octave of it, be read in its octave."""
        self._kept = tempo

    def move_by(self, factor: float) -> None:
        """Move the kept octave: the deck is known to run ``factor`` times as fast as before."""
        if self._kept is not None:
            moved = self._kept * factor
            self._kept = None if not self._low <= moved <= self._high else moved

    def forget(self) -> None:
        """Choose the octave of the next tempo by the range alone."""
        self._kept = None
