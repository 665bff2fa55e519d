"""What is due on which port, and when: the clocks of all ports, moved by the orders of the listener."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import NamedTuple

from bridge.events import PedalTold, TicksDropped
from bridge.rig import Rig
from bridge.send.clock import TickClock
from bridge.send.messages import CLOCK
from bridge.units import checked_tempo


@dataclass(frozen=True, slots=True, kw_only=True)
class PortPlan:
    """One MIDI output and its one clock.

    Attributes:
        name: The port's name as the rig has it.
        pedals: Names of the pedals that it feeds, at least one.
        begin_tempo: Tempo of its clock before any order, in bpm; None sends nothing until the first order.

    Raises:
        ValueError: No pedal, or a tempo outside 20..400 bpm.
    """

    name: str
    pedals: tuple[str, ...]
    begin_tempo: float | None = None

    def __post_init__(self) -> None:
        if not self.pedals:
            raise ValueError(f"port {self.name!r} feeds no pedal")
        if self.begin_tempo is not None:
            checked_tempo(self.begin_tempo)


@dataclass(frozen=True, slots=True, kw_only=True)
class SendPlan:
    """What the sender needs to know of a rig.

    Attributes:
        ports: The MIDI outputs, in the order of the rig's pedals.
        api: "alsa", "jack", "coremidi" or "windows"; None for the system's own.
        virtual: Names of the output ports that the bridge makes itself.

    Raises:
        ValueError: Two ports of one name, or one pedal on two ports.
    """

    ports: tuple[PortPlan, ...]
    api: str | None = None
    virtual: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        names = [port.name for port in self.ports]
        pedals = [pedal for port in self.ports for pedal in port.pedals]
        for name in (*names, *pedals):
            if names.count(name) > 1 or pedals.count(name) > 1:
                raise ValueError(f"{name!r} stands twice in the plan")

    @classmethod
    def of(cls, rig: Rig) -> SendPlan:
        """Return the plan of a rig; clocked pedals that name the same port share its clock.

        A port begins at the first ``begin_tempo`` that one of its pedals has.
        """
        clocked = [pedal for pedal in rig.pedals if pedal.clocked]
        ports = []
        for name in dict.fromkeys(pedal.port for pedal in clocked):
            fed = [pedal for pedal in clocked if pedal.port == name]
            begin = next((pedal.begin_tempo for pedal in fed if pedal.begin_tempo is not None), None)
            ports.append(PortPlan(name=name, pedals=tuple(pedal.name for pedal in fed), begin_tempo=begin))
        return cls(ports=tuple(ports), api=rig.midi.api, virtual=rig.midi.virtual)


class Message(NamedTuple):
    """Bytes to send.

    Attributes:
        port: The port's name as the rig has it.
        at: Host time in seconds at which they are due.
        data: One MIDI message.
    """

    port: str
    at: float
    data: bytes


class Due(NamedTuple):
    """What is to be sent now, and what has to be said about it.

    Attributes:
        messages: What to send at once; at most one tick of each clock.
        facts: Ticks that were dropped.
    """

    messages: tuple[Message, ...]
    facts: tuple[TicksDropped, ...]


class Schedule:
    """The clocks of all ports.

    However orders and calls come, two ticks of one port are never closer than half the shortest interval in force
    between them; what is later than half an interval is dropped and counted. Nothing is due on a port before the
    first order for one of its pedals, unless its plan has a tempo to begin with. A ``now`` that runs backwards counts
    as the latest one seen.

    Args:
        plan: The ports.
        now: Host time in seconds; ports with a tempo to begin with have their first tick then.
    """

    def __init__(self, plan: SendPlan, now: float) -> None:
        self._port_of = {pedal: port.name for port in plan.ports for pedal in port.pedals}
        self._clocks = {
            port.name: TickClock(port.begin_tempo, now) for port in plan.ports if port.begin_tempo is not None
        }
        self._taken: dict[str, PedalTold] = {}  # the newest order of each port
        self._now = now

    def take(self, order: PedalTold, now: float) -> None:
        """Move the clock of the pedal's port to the order's tempo, at ``order.at`` or at ``now`` if that is later.

        The phase goes on; the first order of a silent port has its first tick at that instant. An order that was
        taken already changes nothing.

        Raises:
            ValueError: No port feeds that pedal.
        """
        port = self._port_of.get(order.pedal)
        if port is None:
            raise ValueError(f"no port feeds a pedal called {order.pedal!r}; known: {', '.join(self._port_of)}")
        self._now = now = max(self._now, now)
        if self._taken.get(port) == order:
            return
        self._taken[port] = order
        if port in self._clocks:
            self._clocks[port].change(order.tempo, order.at, now)
        else:
            self._clocks[port] = TickClock(order.tempo, max(order.at, now))

    def next_due(self) -> float:
        """Return the host time in seconds of the next tick of any port, perhaps in the past; inf if there is none."""
        return min((clock.next_due() for clock in self._clocks.values()), default=inf)

    def due(self, now: float) -> Due:
        """Take what is to be sent at host time ``now``; a second call at the same time has nothing more."""
        self._now = now = max(self._now, now)
        messages, facts = [], []
        for port, clock in self._clocks.items():
            at, dropped = clock.due(now)
            if at is not None:
                messages.append(Message(port, at, CLOCK))
            if dropped:
                facts.append(TicksDropped(at=now, port=port, count=min(dropped, 10**9)))
        return Due(tuple(messages), tuple(facts))
