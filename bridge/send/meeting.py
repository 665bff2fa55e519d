"""When the beats of two lines that are not synchronised fall together next: it tells the hand when to raise a fader.

A line is straight: beat b falls at t(b) = at + (b - beat) * P, with the period P = 60 / tempo seconds. The slower of
two has its beats at s + k * Ps. Counted in beats of the faster one they lie at x + k * Ps / Pf, and their distance from
its nearest beat is that number's distance from a whole number, times Pf. The first k at which this is at most 30 ms is
the meeting. Bars are met likewise, with bar lines for beats.

Where the tempi are near a:b, the same two beats of that pattern meet again every b beats of the slower line (for
a > b), a little further apart each time: `Meeting.beats` follows that pattern until it is more than 30 ms apart.

What is known of a line fades: its standard deviation at a distance of h seconds is sqrt(phase² + (h * period)²), phase
in seconds and period relative, both taken as independent of each other and of the other line's.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor, hypot, inf
from statistics import median
from typing import NamedTuple

from bridge.send.beats import NEAR, DeckBeats
from bridge.units import checked_tempo, finite, period_s, within

TOGETHER_S = 0.03
"""Two beats that are no further apart than this, in seconds, fall together."""

AHEAD_S = 300.0
"""Nothing is told that lies further ahead than this, in seconds."""

SURE = 0.25
"""Nothing is told while its standard deviation is above this part of a beat of the faster line."""

RATIO_MAX = 8
"""Largest number in a ratio."""

RATIO_OFF = 0.03
"""A ratio is told where the tempi are no further from it than this part."""

_RATIOS = sorted({Fraction(a, b) for a in range(1, RATIO_MAX + 1) for b in range(1, RATIO_MAX + 1)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Beats at a steady tempo.

    Attributes:
        at: Host time in seconds at which ``beat`` falls, and up to which the line is known.
        beat: Beats, fraction included, counted from any of them.
        tempo: In bpm, 20..400.
        bar: Beats in a bar, 1..64.
        one: A whole beat that is the first of a bar; None where nobody knows.
        period_sd: Standard deviation of the period as a part of it, 0..1.
        phase_sd: Standard deviation of the beats' place at ``at`` in seconds, 0..60.

    Raises:
        ValueError: One is out of its range.
    """

    at: float
    beat: float
    tempo: float
    bar: int = 4
    one: float | None = None
    period_sd: float = 0.0
    phase_sd: float = 0.0

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("beat", self.beat, -1e9, 1e9)
        checked_tempo(self.tempo)
        within("bar", self.bar, 1, 64)
        within("one", self.one or 0.0, -1e9, 1e9)
        within("period_sd", self.period_sd, 0, 1)
        within("phase_sd", self.phase_sd, 0, 60)

    @property
    def period(self) -> float:
        """Length of a beat in seconds."""
        return period_s(self.tempo)

    def at_of(self, beat: float) -> float:
        """Return the host time of a beat in seconds."""
        return self.at + (beat - self.beat) * self.period

    def sd_at(self, at: float) -> float:
        """Return the standard deviation of its beats' place around a host time, in seconds."""
        return hypot(self.phase_sd, (at - self.at) * self.period_sd)


@dataclass(frozen=True, slots=True, kw_only=True)
class Meeting:
    """When two lines meet.

    Attributes:
        at: Host time in seconds of the beat of the slower line that meets one of the faster.
        in_s: Seconds until then, 0..300.
        beats: Beats of the slower line, from the first to the last that meets, at least 1.
        ratio: Beats of the first line to beats of the second, each 1..8; None where no such ratio is within 3 %.
        sd_s: Standard deviation of the distance between the two beats, in seconds.
        bars_at: Host time in seconds at which bar lines of both fall together; None where that is not known.
        bars_in_s: Seconds until then, 0..300; None likewise.
    """

    at: float
    in_s: float
    beats: int
    ratio: tuple[int, int] | None
    sd_s: float
    bars_at: float | None = None
    bars_in_s: float | None = None


class _Grid(NamedTuple):
    """Instants that repeat: one of them as a host time, and the seconds between two."""

    at: float
    step: float

    def off(self, at: float) -> float:
        """Return the distance in seconds of a host time from the nearest of them."""
        steps = (at - self.at) / self.step
        return abs(steps - floor(steps + 0.5)) * self.step


def meeting(one: Line, other: Line, now: float) -> Meeting | None:
    """Return when two lines meet next; the order of the two matters for the ratio alone.

    Args:
        one: The first line.
        other: The second line.
        now: Host time in seconds.

    Returns:
        None where they do not meet within 300 s, or it is not known well enough.

    Raises:
        ValueError: ``now`` is not finite.
    """
    finite("now", now)
    slow, fast = (one, other) if one.tempo <= other.tempo else (other, one)
    slow_beats, fast_beats = _Grid(slow.at_of(0.0), slow.period), _Grid(fast.at_of(0.0), fast.period)
    at = _meets(slow_beats, fast_beats, now)
    sd_s = inf if at is None else hypot(slow.sd_at(at), fast.sd_at(at))
    if at is None or not sd_s <= SURE * fast.period:  # NaN is not known either
        return None
    ratio = ratio_of(one.tempo, other.tempo)
    beats = _stays(slow_beats, fast_beats, at, min(ratio) if ratio is not None else 1, now)
    bars_at = _bars_meet(slow, fast, now)
    bars_in_s = None if bars_at is None else bars_at - now
    return Meeting(
        at=at, in_s=at - now, beats=beats, ratio=ratio, sd_s=sd_s, bars_at=bars_at, bars_in_s=bars_in_s
    )  # fmt: skip


def ratio_of(tempo: float, other: float) -> tuple[int, int] | None:
    """Return the simple ratio that two tempi are nearest to: 84 and 63 bpm are (4, 3).

    Args:
        tempo: The first, above 0.
        other: The second, above 0, in the same unit.

    Returns:
        Two numbers, each 1..8, without a common divisor; None where none is within 3 %.
    """
    exact = tempo / other
    nearest = min(_RATIOS, key=lambda ratio: abs(exact / ratio - 1))
    if not abs(exact / nearest - 1) <= RATIO_OFF:
        return None
    return nearest.numerator, nearest.denominator


def deck_line(deck: DeckBeats, spread: LineSpread, now: float) -> Line | None:
    """Return the line of a deck as it stands at host time ``now``; None before it has a beat."""
    beat, tempo = deck.beat_at(now), deck.tempo
    if beat is None or tempo is None or deck.stands is None:
        return None
    told_at = min(now, deck.stands.at)
    return Line(
        at=told_at,
        beat=deck.beat_at(told_at) or 0.0,
        tempo=tempo,
        bar=deck.bar,
        one=deck.next_start(-1, now),
        period_sd=spread.period_sd,
        phase_sd=spread.phase_sd,
    )


def loop_line(began_at: float, beats: float, seconds: float, bar: int = 4) -> Line | None:
    """Return the line of a loop that plays: its period is fixed, and its first beat begins a bar.

    Args:
        began_at: Host time in seconds at which it began once.
        beats: Its length in beats, above 0; it has as many as that is when rounded, since it begins anew each time.
        seconds: Its length in seconds, above 0.
        bar: Beats in a bar. One whose length is no whole number of bars has none.

    Returns:
        None for a loop that is shorter than half a beat, or whose beats are no tempo that the bridge handles.
    """
    whole = floor(beats + 0.5)
    tempo = 60.0 * whole / seconds
    if whole < 1 or not 20.0 <= tempo <= 400.0:
        return None
    return Line(at=began_at, beat=0.0, tempo=tempo, bar=bar, one=0.0 if whole % bar == 0 else None)


class LineSpread:
    """How well a deck's line tells its beats ahead, from what it told and what came.

    Each word is held against the line of an earlier one: one about 1 s older for the phase, one about 4 s older for the
    period. The deviation is 1.4826 times the median of what that was off by, which for a normal distribution is
    its standard deviation (P. J. Rousseeuw and C. Croux, "Alternatives to the Median Absolute Deviation", Journal of
    the American Statistical Association 88, 1993), and which single leaps, such as another tape, do not move.
    """

    SHORT_S, LONG_S, SLACK_S = 1.0, 4.0, 1.0
    KEPT = 64
    ENOUGH = 8
    PHASE_FIRST_S, PERIOD_FIRST = 0.03, 0.02
    PHASE_LEAST_S, PERIOD_LEAST = 0.003, 0.0003

    def __init__(self) -> None:
        self._words: deque[tuple[float, float, float]] = deque(maxlen=self.KEPT)
        self._short: deque[float] = deque(maxlen=self.KEPT)
        self._long: deque[float] = deque(maxlen=self.KEPT)

    def hear(self, at: float, beat: float, tempo: float) -> None:
        """Take in a word about a beat that is heard, not only held. One that is not newer than the last is left out.

        Args:
            at: Host time in seconds.
            beat: Beats at ``at``, fraction included, counted from any of them.
            tempo: In bpm, 20..400.

        Raises:
            ValueError: The tempo is out of range, or another is not finite.
        """
        finite("at", at)
        within("beat", beat, -1e9, 1e9)
        checked_tempo(tempo)
        if self._words and not at > self._words[-1][0]:
            return
        short, long = self._off(at, beat, self.SHORT_S), self._off(at, beat, self.LONG_S)
        if short is not None:
            self._short.append(short[0])
        if long is not None:
            self._long.append(long[0] / long[1])
        self._words.append((at, beat, tempo))

    @property
    def phase_sd(self) -> float:
        """Standard deviation of the beats' place, in seconds, at least 0.003; 0.03 until enough was heard."""
        if len(self._short) < self.ENOUGH:
            return self.PHASE_FIRST_S
        return max(self.PHASE_LEAST_S, 1.4826 * median(self._short))

    @property
    def period_sd(self) -> float:
        """Standard deviation of the period as a part of it, at least 0.0003; 0.02 until enough was heard."""
        if len(self._long) < self.ENOUGH:
            return self.PERIOD_FIRST
        return min(1.0, max(self.PERIOD_LEAST, 1.4826 * median(self._long)))

    def _off(self, at: float, beat: float, ahead_s: float) -> tuple[float, float] | None:
        """Return by how many seconds the newest word that is so much older was off, and how much older it is."""
        old = next((word for word in reversed(self._words) if at - word[0] >= ahead_s), None)
        if old is None or at - old[0] > ahead_s + self.SLACK_S:
            return None
        period = period_s(old[2])
        off = beat - old[1] - (at - old[0]) / period
        return abs(off - floor(off + 0.5)) * period, at - old[0]


def _meets(slow: _Grid, fast: _Grid, now: float) -> float | None:
    """Return the first instant of the slower grid, from ``now`` on, that is near one of the faster grid."""
    first = ceil((now - slow.at) / slow.step - NEAR)
    for step in range(int(AHEAD_S / slow.step) + 1):
        at = slow.at + (first + step) * slow.step
        if at > now + AHEAD_S:
            break
        if fast.off(at) <= TOGETHER_S:
            return max(at, now)
    return None


def _stays(slow: _Grid, fast: _Grid, at: float, every: int, now: float) -> int:
    """Return how many beats of the slower grid there are from ``at`` to the last that meets, each so many beats."""
    last = 0
    while (later := at + (last + every) * slow.step) <= now + AHEAD_S and fast.off(later) <= TOGETHER_S:
        last += every
    return last + 1


def _bars_meet(slow: Line, fast: Line, now: float) -> float | None:
    """Return when bar lines of both fall together next; None where nobody knows, or not well enough."""
    if slow.one is None or fast.one is None:
        return None
    grids = [_Grid(line.at_of(line.one or 0.0), line.bar * line.period) for line in (slow, fast)]
    fewer, more = sorted(grids, key=lambda grid: -grid.step)
    at = _meets(fewer, more, now)
    if at is None or not hypot(slow.sd_at(at), fast.sd_at(at)) <= SURE * fast.period:
        return None
    return at
