"""A deck's beats and bars as the sender counts them: they outlive every listener, and go on at the last tempo."""

from __future__ import annotations

from math import ceil, floor

from bridge.events_foot import DeckStands
from bridge.units import period_s

NEAR = 1e-6
"""Beats by which a moment may lie behind now and still be now."""


class DeckBeats:
    """One deck's count of beats: whatever its listener counts from, this count never jumps by more than half a beat.

    Args:
        name: The deck's name.
        bar: Beats in a bar, 1..16.

    Attributes:
        name: The deck's name.
        bar: Beats in a bar.
        stands: How the deck stood when it was last told; None before.
    """

    def __init__(self, name: str, bar: int = 4) -> None:
        self.name = name
        self.bar = bar
        self.stands: DeckStands | None = None
        self._line: tuple[float, float, float] | None = None  # an instant, its beat, and the tempo from there on
        self._one: int | None = None
        self._deaf = False

    @property
    def known(self) -> bool:
        """Whether there is a beat, heard or held."""
        return self._line is not None

    @property
    def heard(self) -> bool:
        """Whether the beat is heard now, and not only held."""
        return not self._deaf and self.stands is not None and self.stands.state == "following" and self.known

    @property
    def tempo(self) -> float | None:
        """The tempo in bpm, heard or held; None before there was one."""
        return None if self._line is None else self._line[2]

    @property
    def bars_known(self) -> bool:
        """Whether somebody said where bar one is."""
        return self._one is not None

    def take(self, stands: DeckStands) -> None:
        """Take in how the deck stands. A deck that stops forgets its bars: what plays next may be another tape."""
        was, self.stands, self._deaf = self.stands, stands, False
        if was is not None and was.runs and not stands.runs:
            self._one = None
        if stands.tempo is None or stands.beats is None:
            return
        beat = self.beat_at(stands.at)
        if beat is None:
            beat = stands.beats
        else:
            off = (stands.beats - beat) % 1.0
            beat += off - 1.0 if off > 0.5 else off
        self._line = (stands.at, beat, stands.tempo)

    def unheard(self) -> None:
        """Take in that nobody hears the deck now; its beat goes on as it was told last."""
        self._deaf = True

    def lose_phase(self) -> None:
        """Take in that nobody knows any more where the beats fall, though the tempo holds; bars are forgotten."""
        self._one = None

    def beat_at(self, at: float) -> float | None:
        """Return the beat, fraction included, at a host time in seconds; None before there is one."""
        if self._line is None:
            return None
        since, beat, tempo = self._line
        return beat + (at - since) / period_s(tempo)

    def at_of(self, beat: float) -> float:
        """Return the host time in seconds of a beat.

        Raises:
            ValueError: There is no beat yet.
        """
        if self._line is None:
            raise ValueError(f"deck {self.name!r} has no beat yet")
        since, first, tempo = self._line
        return since + (beat - first) * period_s(tempo)

    def count_one(self, at: float) -> bool:
        """Take the beat nearest to ``at`` for the first of a bar; return whether there is a beat."""
        beat = self.beat_at(at)
        if beat is None:
            return False
        self._one = floor(beat + 0.5)
        return True

    def next_start(self, starts_on: int, at: float) -> float | None:
        """Return the next beat of this count, at ``at`` or later, on which something may start.

        Args:
            starts_on: As `bridge.rig_foot.Looper.starts_on`: 1 any beat, N beats counted from bar one, -1 any bar.
            at: Host time in seconds.

        Returns:
            None where the beat, or for N beats and bars the bar, is not known.

        Raises:
            ValueError: ``starts_on`` is 0, which waits for no beat, or below -1.
        """
        if starts_on < -1 or starts_on == 0:
            raise ValueError(f"starts_on must be -1 or at least 1, got {starts_on!r}")
        beat = self.beat_at(at)
        every = self.bar if starts_on == -1 else starts_on
        if beat is None or (every > 1 and self._one is None):
            return None
        one = self._one or 0
        return one + ceil((beat - one) / every - NEAR) * every

    def bar_at(self, at: float) -> tuple[int, int] | None:
        """Return bar and beat of the bar at a host time, both counted from 1; None where nobody knows."""
        beat = self.beat_at(at)
        if beat is None or self._one is None:
            return None
        bars, beats = divmod(floor(beat - self._one + NEAR), self.bar)
        return bars + 1, beats + 1
