"""What went out to the pedals besides the clock: facts in the vocabulary of `bridge.events`."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.events import Fact
from bridge.units import checked_tempo, finite, within


@dataclass(frozen=True, slots=True, kw_only=True)
class TapsSent(Fact):
    """A tempo was tapped into a pedal; ``at`` is the beat of the last tap.

    Attributes:
        pedal: The pedal's name.
        tempo: Tempo that the taps told, in taps a minute.
        count: How many taps, 1 or more.
    """

    pedal: str
    tempo: float
    count: int

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("count", self.count, 1, 10**9)
        checked_tempo(self.tempo)


@dataclass(frozen=True, slots=True, kw_only=True)
class TapsDropped(Fact):
    """Taps were late after a stall, and left out instead of sent off the beat; the contact was opened.

    Attributes:
        pedal: The pedal's name.
        sent: Taps of the burst that had gone out.
        count: Taps that were left out, 1 or more.
    """

    pedal: str
    sent: int
    count: int

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("sent", self.sent, 0, 10**9)
        within("count", self.count, 1, 10**9)


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageLeftOut(Fact):
    """A message came too late to its port's own process, which did not send it; the sender knows what it was part of.

    Attributes:
        port: The port's name as the plan has it.
        data: Its bytes, in hexadecimal.
    """

    port: str
    data: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayTimeTold(Fact):
    """A pedal was given a delay time; drift is told at most once a second.

    Attributes:
        pedal: The pedal's name.
        delay_ms: The delay time in ms.
        why: "begin", "drift", "step", "fold", or what else moved it.
    """

    pedal: str
    delay_ms: float
    why: str

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("delay_ms", self.delay_ms, 0.1, 600_000.0)
