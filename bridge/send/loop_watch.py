"""A loop against its tape: how far the two have come apart since the loop was closed."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, inf

from bridge.send.beats import DeckBeats

EVERY_S = 2.0
"""Least time between two measures that are told, in seconds."""

FRESH_S = 1.0
"""A deck that was last told longer ago than this, in seconds, may play anything: nothing is measured against it."""

SHORTEST_BEATS = 0.25
"""A loop shorter than this, in beats, has no beat to speak of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """A loop as it was recorded.

    Attributes:
        began: The deck's beat at its beginning, fraction included.
        beats: Its length in beats of the deck, above 0.
        seconds: Its length in seconds, above 0.
    """

    began: float
    beats: float
    seconds: float


class LoopWatch:
    """Measures one looper's loop against its deck, while it plays.

    Args:
        deck: The deck that it was recorded from.
    """

    def __init__(self, deck: DeckBeats) -> None:
        self._deck = deck
        self._opened: tuple[float, float | None] | None = None  # when the recording began, and on which beat
        self._loop: Loop | None = None
        self._from: tuple[float, float] | None = None  # an instant at which the loop began, and the tape's beat for it
        self._next_at = inf

    @property
    def opened_beat(self) -> float | None:
        """The deck's beat at which the recording began that runs; None where nobody knows."""
        return None if self._opened is None else self._opened[1]

    @property
    def plays(self) -> tuple[float, float, float] | None:
        """A host time at which the loop began once, its length in beats, and in seconds; None where none plays."""
        if self._from is None or self._loop is None:
            return None
        return self._from[0], self._loop.beats, self._loop.seconds

    def open(self, at: float) -> None:
        """Take in that a recording began at a host time in seconds."""
        self.forget()
        self._opened = at, self._deck.beat_at(at)

    def close(self, at: float) -> float | None:
        """Take in that the recording ended at a host time in seconds; return its length in beats, None if unknown."""
        opened, self._opened = self._opened, None
        beat = self._deck.beat_at(at)
        if opened is None or opened[1] is None or beat is None:
            return None
        beats = max(0.0, beat - opened[1])
        if beats >= SHORTEST_BEATS and at > opened[0]:
            self._loop = Loop(began=opened[1], beats=beats, seconds=at - opened[0])
        return beats

    def play_on(self, at: float) -> None:
        """Take in that the loop began at a host time in seconds right where it was closed."""
        if self._loop is not None:
            self._play(at, self._loop.began + self._loop.beats)

    def play_again(self, at: float) -> None:
        """Take in that the loop was begun again at a host time in seconds, wherever the tape was."""
        if self._loop is not None:
            self._play(at, self._loop.began)

    def pause(self) -> None:
        """Take in that the loop does not play, or from where nobody knows."""
        self._from, self._next_at = None, inf

    def forget(self) -> None:
        """Take in that there is no loop any more, or one that nobody knows."""
        self._opened = self._loop = None
        self.pause()

    def next_due(self) -> float:
        """Return the host time in seconds of the next measure that is told; inf for none."""
        return self._next_at

    def due(self, now: float) -> tuple[float, float] | None:
        """Take the measure that is to be told at host time ``now``, as `apart` has it; None where it is not time."""
        if now < self._next_at:
            return None
        self._next_at = now + EVERY_S
        return self.apart(now)

    def apart(self, now: float) -> tuple[float, float] | None:
        """Return how far the tape is ahead of the loop, in beats, -0.5..0.5, and in ms of the loop.

        Returns:
            None where no loop plays that was recorded on a beat, or the deck's beat is not heard now.
        """
        stands = self._deck.stands
        heard = self._deck.heard and stands is not None and now - stands.at <= FRESH_S
        beat = self._deck.beat_at(now)
        if self._from is None or self._loop is None or beat is None or not heard:
            return None
        since, tape = self._from
        ahead = (beat - tape) - (now - since) / self._loop.seconds * self._loop.beats
        apart = ahead - floor(ahead + 0.5)
        return apart, 1e3 * apart * self._loop.seconds / self._loop.beats

    def _play(self, at: float, beat: float) -> None:
        self._from, self._next_at = (at, beat), at + EVERY_S
