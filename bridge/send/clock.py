"""One MIDI clock as a straight line of ticks against time: bent at a change of tempo, never broken."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

from bridge.units import tick_interval_s

LATEST_TICKS = 0.5
"""A tick later than this part of an interval is left out, so that two ticks never come closer than the other part."""


@dataclass(frozen=True, slots=True)
class TickLine:
    """Where a clock stands in ticks at any time, while its tempo stays.

    Attributes:
        at: A host time in seconds.
        ticks: Ticks since the clock began, fraction included, at ``at``.
        interval_s: Time between two ticks in seconds.
    """

    at: float
    ticks: float
    interval_s: float

    def ticks_at(self, time: float) -> float:
        """Return the ticks since the clock began, fraction included, at host time ``time``."""
        return self.ticks + (time - self.at) / self.interval_s

    def time_of(self, tick: int) -> float:
        """Return the host time at which ``tick`` is due."""
        return self.at + (tick - self.ticks) * self.interval_s

    def newest_by(self, time: float) -> int:
        """Return the newest tick that is due at host time ``time``; it agrees with `time_of` to the last bit."""
        tick = floor(self.ticks_at(time))
        if self.time_of(tick) > time:
            return tick - 1
        return tick + 1 if self.time_of(tick + 1) <= time else tick

    def retimed(self, tempo: float, at: float) -> TickLine:
        """Return the line that goes on from this one's phase at host time ``at``, at another tempo.

        Raises:
            ValueError: ``tempo`` is not 20..400 bpm.
        """
        return TickLine(at, self.ticks_at(at), tick_interval_s(tempo))


class TickClock:
    """One clock: which tick is due when, whatever happens to the tempo and however late one asks.

    Ticks that are late by more than half an interval are dropped and counted; the grid stays where it was. So two
    ticks are never closer than half the shortest interval in force between them. Host times must not run backwards.

    Args:
        tempo: The first tempo in bpm.
        at: Host time of the first tick in seconds.

    Raises:
        ValueError: ``tempo`` is not 20..400 bpm.
    """

    def __init__(self, tempo: float, at: float) -> None:
        self._line = TickLine(at, 0.0, tick_interval_s(tempo))
        self._later: TickLine | None = None  # in force from its own `at` on
        self._next = 0  # the oldest tick that `_pass` has not seen
        self._owed: tuple[int, float] | None = None  # a tick that fell due and was not taken yet, and when
        self._dropped = 0

    def change(self, tempo: float, at: float, now: float) -> None:
        """Change the tempo at host time ``at``, or at ``now`` if that is later; the phase goes on.

        A change that still lies in the future is replaced: the newest order counts.

        Raises:
            ValueError: ``tempo`` is not 20..400 bpm.
        """
        self._pass(now)
        self._later = self._line.retimed(tempo, max(at, now))

    def next_due(self) -> float:
        """Return the host time in seconds at which the next tick is due; it may lie in the past."""
        if self._owed is not None:
            return self._owed[1]
        due = self._line.time_of(self._next)
        if self._later is not None and due > self._later.at:
            return self._later.time_of(self._next)
        return due

    def due(self, now: float) -> tuple[float | None, int]:
        """Take the tick to send at host time ``now``, if any.

        Returns:
            The host time at which that tick was due, or None; and how many ticks were dropped since the last call.
        """
        self._pass(now)
        at = None
        if self._owed is not None:
            tick, owed_at = self._owed
            if self._line.ticks_at(now) - tick <= LATEST_TICKS:
                at = owed_at
            else:
                self._dropped += 1
        dropped, self._owed, self._dropped = self._dropped, None, 0
        return at, dropped

    def _pass(self, now: float) -> None:
        """Note which ticks fell due up to ``now``, each on the line that was in force then."""
        if self._later is not None and self._later.at <= now:
            self._pass_on_line(self._later.at)
            self._line, self._later = self._later, None
        self._pass_on_line(now)

    def _pass_on_line(self, until: float) -> None:
        newest = self._line.newest_by(until)
        if newest >= self._next:
            self._dropped += newest - self._next + (self._owed is not None)
            self._owed = (newest, self._line.time_of(newest))
            self._next = newest + 1
