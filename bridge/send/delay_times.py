"""A pedal's delay time as a number: note values in ms, and the messages that make them.

Source of the sums: a beat lasts 60000 / tempo ms; a note value is a multiple of it. Common practice.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from math import inf, log

from bridge.events import Fact
from bridge.events_sent import DelayTimeTold
from bridge.rig import Between, Pedal, TimeMessage
from bridge.send.messages import control_change, control_change_14, nrpn, osc_message
from bridge.units import period_s

EVERY_S = 0.02
"""Least time between two messages to a pedal, in seconds."""

TELL_DRIFT_EVERY_S = 1.0
"""Drift is written down this often, in seconds; a step at once."""

HIGHEST = {"cc": 127.0, "cc14": 16383.0, "nrpn": 16383.0, "osc": inf}
"""Highest value that each message carries. Source: MIDI 1.0 Detailed Specification, data of 7 and 14 bits."""


def delay_ms(tempo: float, division: float = 1.0) -> float:
    """Return how long a note value is, in ms.

    Args:
        tempo: Beats a minute, 20..400.
        division: The note value in beats: 1 for a quarter, 3/4 for a dotted eighth; above 0.

    Raises:
        ValueError: One is outside its range.
    """
    if not 0 < division < inf:
        raise ValueError(f"a note value must be above 0 beats, got {division!r}")
    return 1000.0 * period_s(tempo) * division


@dataclass(frozen=True, slots=True, kw_only=True)
class TimePlan:
    """How one pedal is told its delay time.

    Attributes:
        pedal: Its name.
        message: What carries it.
        number: Control or parameter; 0 for OSC.
        channel: MIDI channel, 1..16.
        address: OSC address; empty for MIDI.
        points: Pairs of a time in ms and its value, in order of time; empty for OSC that carries the time in ms.
        between: How a value lies between two points: with the time, or with its logarithm.
        division: The delay time in beats, above 0.
        limits_ms: Shortest and longest time that the pedal can make, in ms.

    Raises:
        ValueError: The limits or the points do not go up, or MIDI has fewer than two points.
    """

    pedal: str
    message: TimeMessage
    number: int = 0
    channel: int = 1
    address: str = ""
    points: tuple[tuple[float, float], ...] = ()
    between: Between = "linear"
    division: float = 1.0
    limits_ms: tuple[float, float] = (1.0, 60_000.0)

    def __post_init__(self) -> None:
        times = [time for time, _ in self.points]
        if self.message != "osc" and len(times) < 2:
            raise ValueError(f"times of {self.pedal!r} need 2 points or more for {self.message}, got {len(times)}")
        if not (0 < self.limits_ms[0] < self.limits_ms[1]):
            raise ValueError(f"limits_ms of {self.pedal!r} must go up from above 0, got {self.limits_ms!r}")
        if times and not (times[0] > 0 and all(before < after for before, after in pairwise(times))):
            raise ValueError(f"points of {self.pedal!r} must go up in time from above 0 ms, got {times!r}")

    @classmethod
    def of(cls, pedal: Pedal) -> TimePlan:
        """Return how a pedal of a rig is told its delay time.

        Raises:
            ValueError: It is not told any, or as no message can.
        """
        times = pedal.times
        if times is None:
            raise ValueError(f"{pedal.name!r} has no table for times")
        return cls(
            pedal=pedal.name,
            message=times.message,
            number=times.number or 0,
            channel=pedal.channel,
            address=times.address or "",
            points=times.points,
            between=times.between,
            division=float(times.division),
            limits_ms=pedal.delay_ms,
        )

    def value_at(self, time_ms: float) -> float:
        """Return the value that makes a time: between two points as the plan says, beyond the ends that of the end."""
        if not self.points:
            return time_ms
        right = min(max(bisect_right(self.points, time_ms, key=lambda point: point[0]), 1), len(self.points) - 1)
        (low_ms, low), (high_ms, high) = self.points[right - 1], self.points[right]
        time_ms = min(max(time_ms, low_ms), high_ms)
        if self.between == "log":
            share = log(time_ms / low_ms) / log(high_ms / low_ms)
        else:
            share = (time_ms - low_ms) / (high_ms - low_ms)
        return min(max(low + share * (high - low), 0.0), HIGHEST[self.message])

    def bytes_at(self, time_ms: float) -> bytes:
        """Return the message that makes a time: one of MIDI, a group of them, or one of OSC."""
        value = self.value_at(time_ms)
        match self.message:
            case "cc":
                return control_change(self.channel, self.number, round(value))
            case "cc14":
                return control_change_14(self.channel, self.number, round(value))
            case "nrpn":
                return nrpn(self.channel, self.number, round(value))
            case "osc":
                return osc_message(self.address, value)

    def reach_ms(self) -> tuple[float, float]:
        """Return the shortest and longest time within both limits and points; the limits where these are apart."""
        low, high = self.limits_ms
        if self.points:
            inner = max(low, self.points[0][0]), min(high, self.points[-1][0])
            return inner if inner[0] < inner[1] else (low, high)
        return low, high


class DelayTimes:
    """The delay time of one pedal: what is due to it, at most one message every 20 ms, and never an old one.

    It goes as its tempo goes, which the pedal's policy has moved already as slowly as it must, or in one step, and has
    folded into the pedal's limits; what no octave fits is cut there. What changes nothing in the message is not sent.
    Host times must not run backwards.
    """

    def __init__(self, plan: TimePlan) -> None:
        self.plan = plan
        self._told: tuple[float, float, str] | None = None  # the newest order: when, the time in ms, and why
        self._message = b""  # what makes it
        self._has = b""  # what the pedal was sent last
        self._sent_at = -inf
        self._fact_at = -inf
        self._fact: DelayTimeTold | None = None  # what is to be written down when it is time

    def tell(self, tempo: float, now: float, why: str) -> None:
        """Take in the newest tempo of the pedal.

        Args:
            tempo: Beats a minute, 20..400.
            now: Host time in seconds.
            why: "begin", "drift", "step", "fold", or what else moved it.

        Raises:
            ValueError: ``tempo`` is outside its range.
        """
        time_ms = delay_ms(tempo, self.plan.division)
        why = "drift" if why == "phase" else why  # where a beat falls is nothing to a time
        if why == "drift" and self._told is not None and self._message != self._has:
            why = self._told[2]  # of the order that this one overtakes
        low, high = self.plan.reach_ms()
        time_ms = min(max(time_ms, low), high)
        self._told, self._message = (now, time_ms, why), self.plan.bytes_at(time_ms)

    def forget(self, now: float) -> None:
        """Take the pedal for one that was just switched on: tell it again what it was told."""
        self._has = b""
        if self._told is not None:
            self._told = now, *self._told[1:]

    def end(self) -> None:
        """Send no more, and tell no more; the pedal keeps its time."""
        self._told = self._fact = None

    def next_due(self) -> float:
        """Return the host time in seconds at which a message is due, perhaps in the past; inf if none is."""
        if self._told is None or self._message == self._has:
            return inf
        return max(self._told[0], self._sent_at + EVERY_S)

    def next_fact(self) -> float:
        """Return the host time in seconds from which `take_facts` has something; inf if there is nothing."""
        if self._fact is None:
            return inf
        return self._fact.at if self._fact.why != "drift" else self._fact_at + TELL_DRIFT_EVERY_S

    def due(self, now: float) -> list[tuple[float, bytes]]:
        """Take what is to be sent at host time ``now``: one message, or group of them, and when it was due."""
        due_at = self.next_due()
        if due_at > now or self._told is None:
            return []
        _, time_ms, why = self._told
        if why == "drift" and self._fact is not None:
            why = self._fact.why
        self._has, self._sent_at = self._message, now
        self._fact = DelayTimeTold(at=now, pedal=self.plan.pedal, delay_ms=time_ms, why=why)
        return [(due_at, self._message)]

    def take_facts(self, now: float) -> list[Fact]:
        """Take the newest time told, if it is time to write it down."""
        if self._fact is None or now < self.next_fact():
            return []
        fact, self._fact, self._fact_at = self._fact, None, now
        return [fact]
