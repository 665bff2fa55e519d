"""One MIDI clock: straight lines of ticks against time, joined at ticks, never broken.

A change of tempo begins at a tick, so that the intervals before and after it are the only two there are. A clock that
has to meet a beat, too, runs a little fast or slow until it does; it skips no tick and doubles none.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor

from bridge.units import TICKS_PER_BEAT, tick_interval_s

LATEST_TICKS = 0.5
"""A tick later than this part of an interval is left out, so that two ticks never come closer than the other part."""

CATCH_UP = 0.0196
"""On its way to a beat a clock deviates from its tempo by this share at most; with its reciprocal that is 2 %."""

GENTLE_TICKS = 48
"""A clock takes at least two beats on its way to a beat."""

MET_TICKS = 0.05
"""A clock that is so near its beat has met it: 1 ms at 120 bpm."""

STEP = 0.04
"""A tempo that differs by more than this share is another tempo, whose beat may be met by the choice of the moment."""

STEP_WAIT_TICKS = 96
"""A step waits for a better moment four beats at most."""


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


@dataclass(frozen=True, slots=True)
class Beats:
    """Where beats fall, for a clock that is to be on them.

    Attributes:
        at: A host time in seconds.
        beats: Beats of the clock at ``at``, fraction included, counted from any beat.
        grid: What part of a beat of the clock lies between two places that will do as well: at three clock beats to
            two of the deck, a beat of the deck falls on a beat of the clock or halfway between two.
    """

    at: float
    beats: float
    grid: Fraction = Fraction(1)


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
        self._lines = [TickLine(at, 0, tick_interval_s(tempo))]  # each in force from its own tick on
        self._next = 0  # the oldest tick that `_pass` has not seen
        self._owed: tuple[int, float] | None = None  # a tick that fell due and was not taken yet, and when
        self._dropped = 0

    @classmethod
    def on_beat(cls, tempo: float, now: float, beats: Beats) -> TickClock:
        """Return a clock whose first tick is the first beat at host time ``now`` or later.

        Raises:
            ValueError: ``tempo`` is not 20..400 bpm.
        """
        line = TickLine(beats.at, TICKS_PER_BEAT * beats.beats, tick_interval_s(tempo))
        newest = line.newest_by(now)
        first = newest if line.time_of(newest) >= now else newest + 1
        return cls(tempo, line.time_of(TICKS_PER_BEAT * ceil(first / TICKS_PER_BEAT)))

    def change(self, tempo: float, at: float, now: float, beats: Beats | None = None) -> None:
        """Change the tempo at the first tick at or after host time ``at``, or after ``now`` if that is later.

        A change that still lies in the future is replaced: the newest order counts. With ``beats`` the clock gets onto
        them: by the moment of the change, up to four beats later, if the tempo steps, and by at most 2 % of deviation.

        Raises:
            ValueError: ``tempo`` is not 20..400 bpm.
        """
        interval = tick_interval_s(tempo)
        self._pass(now)
        old = self._lines[0]
        newest = old.newest_by(max(at, now))
        tick = max(self._next, newest if old.time_of(newest) >= max(at, now) else newest + 1)
        ahead = 0.0
        if beats is not None:
            target = TickLine(beats.at, TICKS_PER_BEAT * beats.beats, interval)
            grid = TICKS_PER_BEAT * float(beats.grid)
            tick += _best_wait(old, tick, target, grid)
            ahead = _nearest(target.ticks_at(old.time_of(tick)) - tick, grid)
        self._lines = [old, *_met(TickLine(old.time_of(tick), tick, interval), ahead)]

    def next_due(self) -> float:
        """Return the host time in seconds at which the next tick is due; it may lie in the past."""
        return self._owed[1] if self._owed is not None else self._line_of(self._next).time_of(self._next)

    def due(self, now: float) -> tuple[float | None, int]:
        """Take the tick to send at host time ``now``, if any.

        Returns:
            The host time at which that tick was due, or None; and how many ticks were dropped since the last call.
        """
        self._pass(now)
        at = None
        if self._owed is not None:
            tick, owed_at = self._owed
            if self._lines[0].ticks_at(now) - tick <= LATEST_TICKS:
                at = owed_at
            else:
                self._dropped += 1
        dropped, self._owed, self._dropped = self._dropped, None, 0
        return at, dropped

    def _pass(self, now: float) -> None:
        """Note which ticks fell due up to ``now``, and forget the lines that are over."""
        while len(self._lines) > 1 and self._lines[1].at <= now:
            del self._lines[0]
        newest = self._lines[0].newest_by(now)
        if newest >= self._next:
            self._dropped += newest - self._next + (self._owed is not None)
            self._owed = (newest, self._lines[0].time_of(newest))
            self._next = newest + 1

    def _line_of(self, tick: int) -> TickLine:
        return next((line for line in reversed(self._lines) if line.ticks <= tick), self._lines[0])


def _nearest(ticks: float, grid: float) -> float:
    """Return ``ticks`` less the whole number of ``grid`` that leaves least of it."""
    return ticks - grid * round(ticks / grid)


def _way(ahead: float) -> int:
    """Return the ticks that a clock takes to gain ``ahead`` ticks on its tempo."""
    return 0 if abs(ahead) <= MET_TICKS else max(GENTLE_TICKS, ceil(abs(ahead) / CATCH_UP))


def _best_wait(old: TickLine, tick: int, target: TickLine, grid: float) -> int:
    """Return how many more ticks of the old tempo let a step meet its beats soonest; 0 for what is no step."""
    if abs(old.interval_s / target.interval_s - 1.0) <= STEP:
        return 0
    ways = [
        wait + _way(_nearest(target.ticks_at(old.time_of(tick + wait)) - (tick + wait), grid))
        for wait in range(STEP_WAIT_TICKS + 1)
    ]
    return ways.index(min(ways))


def _met(line: TickLine, ahead: float) -> list[TickLine]:
    """Return a line that begins where ``line`` does, and goes on as it does but ``ahead`` ticks later on."""
    ticks = _way(ahead)
    if not ticks:
        return [line]
    bent = TickLine(line.at, line.ticks, line.interval_s * (1.0 - ahead / ticks))
    tick = round(line.ticks) + ticks
    return [bent, TickLine(bent.time_of(tick), tick, line.interval_s)]
