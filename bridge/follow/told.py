"""The tempo that a card or a hand told: how long it is believed, and what passes for it."""

from __future__ import annotations

from math import log2

from bridge.follow.prior import folded, misread, octave_gap

_WITHIN = 0.08  # of the told tempo, whole octaves aside


class Told:
    """Keeps the told tempo.

    Args:
        tempo_range: Slowest and fastest tempo of the deck in bpm.

    Attributes:
        tempo: In bpm; None where nothing was told, or it proved wrong.
    """

    def __init__(self, tempo_range: tuple[float, float]) -> None:
        self.tempo: float | None = None
        self._range = tempo_range

    def fits(self, tempo: float) -> bool:
        """Return whether a tempo in bpm is the told one or an octave of it."""
        return self.tempo is not None and abs(octave_gap(tempo, self.tempo)) < log2(1 + _WITHIN)

    def face(self, tempo: float) -> None:
        """Take in a tempo that stays: where it is no octave of the told one, that was wrong, or another tape's."""
        if self.tempo is not None and not self.fits(tempo) and not misread(tempo, self.tempo):
            self.tempo = None

    def move(self, factor: float) -> None:
        """Take in that the deck runs ``factor`` times as fast; where that leads out of its range, the octave stays."""
        if self.tempo is not None:
            self.tempo = folded(self.tempo * factor, self._range, self.tempo * factor)
