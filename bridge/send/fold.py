"""Which octave of its ratio a pedal is told, so that its delay time and its tempo stay within what it can make."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import log2

from bridge.events_hand import RatioFolded
from bridge.rig import DIVISIONS, Pedal
from bridge.units import TEMPO_MAX, TEMPO_MIN

CLEAR = 1.02
"""A folded ratio comes back only when it is clear of the limit by this factor, so that it does not fold to and fro."""

_OCTAVES = sorted(range(-4, 5), key=abs)
_NAMES = {beats: name for name, beats in DIVISIONS.items()}


@dataclass(frozen=True, slots=True)
class Limit:
    """Between which tempi one of a pedal's limits is kept.

    Attributes:
        slowest: In bpm.
        fastest: In bpm.
        division: Note value in beats whose delay time is limited; None where the tempo itself is.
        bounds: Shortest and longest delay time in ms, or slowest and fastest tempo in bpm.
    """

    slowest: float
    fastest: float
    division: Fraction | None
    bounds: tuple[float, float]

    def passed_by(self, tempo: float) -> str:
        """Return in words how ``tempo`` bpm passes the limit; empty if it does not."""
        if self.slowest <= tempo <= self.fastest:
            return ""
        low, high = self.bounds
        if self.division is None:
            side = f"slower than its {low:g}" if tempo < self.slowest else f"faster than its {high:g}"
            return f"{tempo:.1f} bpm is {side} bpm"
        side = f"longer than its {high:g}" if tempo < self.slowest else f"shorter than its {low:g}"
        return f"{_NAMES[self.division]} at {tempo:.1f} bpm, {60_000 * self.division / tempo:.0f} ms, is {side} ms"


def limits_of(pedal: Pedal) -> Iterator[Limit]:
    """Yield the limits of a pedal: its tempo range and its delay time, for each way in which it is told.

    A pedal that is told delay times alone has no tempo range.
    """
    if pedal.sync != ("times",):
        yield Limit(*pedal.tempo, None, pedal.tempo)
        yield _delay_limit(pedal.division, pedal.delay_ms)
    if pedal.times is not None:
        (low, high), points = pedal.delay_ms, pedal.times.points
        if points:
            low, high = max(low, points[0][0]), min(high, points[-1][0])
        yield _delay_limit(pedal.times.division, (low, high))


def divisions(pedal: Pedal) -> list[Fraction]:
    """Return the delay times in use on a pedal, in beats of what it is told."""
    return [limit.division for limit in limits_of(pedal) if limit.division is not None]


def longest_division(pedal: Pedal) -> Fraction:
    """Return the longest delay time in use on a pedal, in beats of what it is told."""
    return max(divisions(pedal))


class Folding:
    """The ratio that some pedals share, folded by the fewest octaves that fit all of them.

    Args:
        pedals: The pedals, at least one; all have the same ratio. The strictest limit counts.

    Attributes:
        asked: Beats of the pedals per beat of the deck, as the rig has it.
        ratio: The same as told now: to be set to what `wanted` returned once the pedals are told.
    """

    def __init__(self, pedals: tuple[Pedal, ...]) -> None:
        self.asked = pedals[0].ratio
        self.ratio = self.asked
        self._limits = [(pedal.name, limit) for pedal in pedals for limit in limits_of(pedal)]
        self._said = (self.asked, True)  # the ratio in use, and whether it fits, as far as that was told
        self._slowest = max(TEMPO_MIN, *(limit.slowest for _, limit in self._limits))
        self._fastest = min(TEMPO_MAX, *(limit.fastest for _, limit in self._limits))

    def resume(self, ratio: Fraction) -> None:
        """Take over the ratio that the pedals were told before a restart, which was said then."""
        self.ratio, self._said = ratio, (ratio, True)

    def wanted(self, tempo: float) -> Fraction:
        """Return the ratio for a deck at ``tempo`` bpm.

        The octave in use is kept while it fits, so that a tempo at the edge of a limit does not fold to and fro. Where
        no octave fits, the one that is least far outside is taken.
        """
        choices = [self.asked * Fraction(2) ** octave for octave in _OCTAVES]
        own = tempo * float(self.asked)
        if self.ratio != self.asked and not self._slowest * CLEAR <= own <= self._fastest / CLEAR:
            choices.insert(0, self.ratio)
        return min(choices, key=lambda ratio: self._outside(tempo * float(ratio)))  # the first of equals

    def news(self, at: float, tempo: float) -> list[RatioFolded]:
        """Return what is to be said of `ratio`, now that the pedals were told it for a deck at ``tempo`` bpm.

        Returns:
            One fact when it was folded or came back, and when no octave fits any more; with the limit that is passed.
        """
        outside = self._outside(tempo * float(self.ratio))
        was, fitted = self._said
        fits = outside <= (log2(CLEAR) if fitted else 0.0)
        if (was, fitted) == (self.ratio, fits):
            return []
        self._said = (self.ratio, fits)
        name, why = self._passed(tempo * float(self.asked))
        why += "" if fits else "; no octave fits"
        return [RatioFolded(at=at, pedal=name, asked=float(self.asked), ratio=float(self.ratio), why=why)]

    def _passed(self, told: float) -> tuple[str, str]:
        """Return a pedal whose limit a tempo passes, and in words which."""
        for name, limit in self._limits:
            if words := limit.passed_by(told):
                return name, words
        return self._limits[0][0], f"{told:.1f} bpm fits again"

    def _outside(self, told: float) -> float:
        """Return by how many octaves a tempo is outside the limits."""
        return max(0.0, log2(self._slowest / told), log2(told / self._fastest))


def _delay_limit(division: Fraction, delay_ms: tuple[float, float]) -> Limit:
    beats = float(division)
    return Limit(60_000.0 * beats / delay_ms[1], 60_000.0 * beats / delay_ms[0], division, delay_ms)
