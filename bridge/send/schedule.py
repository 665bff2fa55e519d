"""What is due on which port, and when: clocks, taps and delay times, moved by the orders of the listener."""

from __future__ import annotations

from fractions import Fraction
from math import inf
from typing import NamedTuple

from bridge.events import Fact, PedalTold, TicksDropped
from bridge.send.clock import Beats, TickClock
from bridge.send.delay_times import DelayTimes
from bridge.send.messages import CLOCK
from bridge.send.plan import PortPlan, SendPlan
from bridge.send.song import BEGIN_S, Song
from bridge.send.taps import LATEST_TAP_S, UNDO_BY_S, TapPlan, Taps

QUIET_S = 0.006
"""A delay time goes out only where no tick or tap is due for so long, in seconds.

Its longest group is 12 bytes, and a byte takes 0.32 ms on a cable (MIDI 1.0, 31250 Bd): 3.84 ms. The fastest clock has
a tick every 6.25 ms.
"""


class Message(NamedTuple):
    """Bytes to send.

    Attributes:
        port: The port's name as the plan has it.
        at: Host time in seconds at which they are due.
        data: One MIDI message, a group of them that goes out whole or not at all, or one OSC message; empty where only
            ``undo`` or ``settles`` counts.
        undo: What ends it: to be sent even if this process vanishes.
        until: After that host time in seconds it is to be left out.
        undo_at: At that host time in seconds ``undo`` is to be sent if it was not yet, should this process stand still.
        settles: The ``undo`` of an earlier message that is needed no more.
    """

    port: str
    at: float
    data: bytes
    undo: bytes = b""
    until: float = inf
    undo_at: float = inf
    settles: bytes = b""


class Due(NamedTuple):
    """What is to be sent now, and what has to be said about it.

    Attributes:
        messages: What to send, in order; at most one tick of each clock.
        facts: What was sent or dropped, as far as the journal keeps it.
    """

    messages: tuple[Message, ...]
    facts: tuple[Fact, ...]


class Schedule:
    """The clocks, taps and delay times of all ports.

    However orders and calls come, two ticks of one port are never closer than half the shortest interval in force
    between them; what is later than half an interval is dropped and counted. Nothing is due on a port before the
    first order for one of its pedals, unless its plan has a tempo to begin with; but every tap contact is opened
    first of all, since an earlier sender may have been killed with it closed. A release is never dropped. A ``now``
    that runs backwards counts as the latest one seen.

    Args:
        plan: The ports.
        now: Host time in seconds; ports with a tempo to begin with have their first tick then.
    """

    def __init__(self, plan: SendPlan, now: float) -> None:
        self._ports = {port.name: _Port(port, now) for port in plan.ports}
        self._taken: dict[str, PedalTold] = {}  # the newest order of each pedal
        self._now = now

    def take(self, order: PedalTold, now: float) -> None:
        """Move what the pedal is told to the order's tempo, at ``order.at`` or at ``now`` if that is later.

        The phase of a clock goes on; the first order of a silent port has its first tick at that instant. An order
        that was taken already changes nothing.

        Raises:
            ValueError: No port feeds that pedal.
        """
        self._now = now = max(self._now, now)
        ports = self._feeding(order.pedal)
        if self._taken.get(order.pedal) == order:
            return
        self._taken[order.pedal] = order
        for port in ports:
            port.take(order, now)

    def hands_off(self, pedal: str, now: float) -> None:
        """Give a pedal back to its knobs until the next order for it: no Stop, but its contact is opened.

        The clock of its port ends, for the pedals that share it too. A clock that begins again begins as a first one.

        Raises:
            ValueError: No port feeds that pedal.
        """
        self._now = now = max(self._now, now)
        for port in self._feeding(pedal):
            port.hands_off(pedal, now)

    def opened(self, port: str, now: float) -> None:
        """Take in that a port came, or came back: its contacts are opened, and its pedals told again what they need."""
        self._now = max(self._now, now)
        self._ports[port].opened(self._now)

    def gone(self, port: str, now: float) -> None:
        """Take in that a port is gone: no burst of taps is begun there until it is back."""
        self._now = max(self._now, now)
        self._ports[port].gone(self._now)

    def missed(self, port: str, data: bytes, now: float) -> list[Fact]:
        """Take in that a message which was given out came too late to its port, and was left out; say what follows."""
        self._now = max(self._now, now)
        return self._ports[port].missed(data, self._now)

    def lost(self, port: str) -> None:
        """Take in that ticks which were given out were lost on the way, so that a sequencer there is behind."""
        self._ports[port].lost()

    def lose_phase(self, now: float) -> None:
        """Take in that the machine slept while the tapes ran on: clocks go on, bursts of taps wait for a beat anew."""
        self._now = max(self._now, now)
        for port in self._ports.values():
            port.lose_phase(self._now)

    def quiet(self, now: float) -> None:
        """Open all contacts; the clocks go on, and pedals are tapped again when they are next told."""
        self._now = max(self._now, now)
        for port in self._ports.values():
            port.quiet(self._now)

    def end(self, now: float) -> None:
        """End the clocks, open all contacts, and stop what the rig wants stopped: that much is due at once."""
        self._now = max(self._now, now)
        for port in self._ports.values():
            port.end(self._now)

    def next_due(self) -> float:
        """Return the host time in seconds of what is due next on any port, perhaps in the past; inf if nothing is."""
        return min((port.next_due(self._now) for port in self._ports.values()), default=inf)

    def due(self, now: float) -> Due:
        """Take what is to be sent at host time ``now``; a second call at the same time has nothing more."""
        self._now = now = max(self._now, now)
        messages: list[Message] = []
        facts: list[Fact] = []
        for port in self._ports.values():
            due = port.due(now)
            messages += due.messages
            facts += due.facts
        return Due(tuple(messages), tuple(facts))

    def _feeding(self, pedal: str) -> list[_Port]:
        ports = [port for port in self._ports.values() if pedal in port.known]
        if not ports:
            known = dict.fromkeys(name for port in self._ports.values() for name in port.known)
            raise ValueError(f"no port feeds a pedal called {pedal!r}; known: {', '.join(known)}")
        return ports


class _Port:
    """What goes out on one port. Its clock and its song reckon in the times at which they go out, not in those at
    which they are to count: the port's latency lies between the two.
    """

    def __init__(self, plan: PortPlan, now: float) -> None:
        self._plan = plan
        self._song = Song(plan.transport)
        self._clock: TickClock | None = None
        if plan.begin_tempo is not None:
            self._clock = TickClock(plan.begin_tempo, self._first_tick(now, now))
        self._taps = [Taps(tap) for tap in plan.taps]
        self._times = [DelayTimes(time) for time in plan.times]
        self._quiet_from = now
        self.known = (*plan.pedals, *(tap.pedal for tap in plan.taps), *(time.pedal for time in plan.times))
        self._off: set[str] = set()  # pedals that are given back to their knobs
        self.opened(now)

    def take(self, order: PedalTold, now: float) -> None:
        if order.pedal in self._plan.pedals:
            self._take_clock(order, now)
        if order.pedal in self._off:
            self._off.remove(order.pedal)
            self._tell_anew(order.pedal, now)
        for tap in self._taps:
            if tap.plan.pedal == order.pedal:
                tap.tell(order.tempo, now, order.beat_at)
        for time in self._times:
            if time.plan.pedal == order.pedal:
                time.tell(order.tempo, now, order.why)

    def _take_clock(self, order: PedalTold, now: float) -> None:
        at, beats = order.at - self._plan.latency_s, None
        if self._plan.needs_beat and order.beats is not None:
            grid = Fraction(1, Fraction(order.ratio).limit_denominator(64).denominator)
            beats = Beats(at, order.beats, grid)
        if self._clock is not None:
            self._clock.change(order.tempo, at, now, beats)
        elif beats is None:
            self._clock = TickClock(order.tempo, self._first_tick(at, now))
        else:
            self._clock = TickClock.on_beat(order.tempo, self._first_tick(at, now), beats)

    def hands_off(self, pedal: str, now: float) -> None:
        self._off.add(pedal)
        if pedal in self._plan.pedals and self._clock is not None:
            self._clock = None
            self._song.paused()
        for tap in self._taps:
            if tap.plan.pedal == pedal:
                tap.end(now)
        for time in self._times:
            if time.plan.pedal == pedal:
                time.end()

    def opened(self, now: float) -> None:
        self._song.reopened()
        for pedal in dict.fromkeys(self.known):
            self._tell_anew(pedal, now)

    def _tell_anew(self, pedal: str, now: float) -> None:
        """Have a pedal's contact opened, and its tempo tapped and its time told again, unless hands are off it."""
        for tap in self._taps:
            if tap.plan.pedal == pedal:
                (tap.end if pedal in self._off else tap.forget)(now)
        for time in self._times:
            if time.plan.pedal == pedal:
                time.forget(now)

    def gone(self, now: float) -> None:
        for tap in self._taps:
            tap.end(now)

    def missed(self, data: bytes, now: float) -> list[Fact]:
        return [fact for tap in self._taps if tap.plan.press == data for fact in tap.missed(now)]

    def lost(self) -> None:
        self._song.lost()

    def lose_phase(self, now: float) -> None:
        for tap in self._taps:
            tap.lose_beat(now)

    def quiet(self, now: float) -> None:
        for tap in self._taps:
            tap.quiet(now)

    def end(self, now: float) -> None:
        self._clock = None
        self._song.end()
        for tap in self._taps:
            tap.end(now)
        for time in self._times:
            time.end()

    def next_due(self, now: float) -> float:
        facts = min((time.next_fact() for time in self._times), default=inf)
        return min(self._exact(now), self._quiet(now), facts)

    def due(self, now: float) -> Due:
        messages: list[Message] = []
        facts: list[Fact] = []
        name = self._plan.name
        messages += [Message(name, at, data) for at, data in self._song.due(now, self._next_tick())]
        if self._clock is not None:
            at, dropped = self._clock.due(now)
            self._song.ticked(int(at is not None), dropped)
            if at is not None:
                messages.append(Message(name, at, CLOCK))
            if dropped:
                facts.append(TicksDropped(at=now, port=name, count=min(dropped, 10**9)))
        for tap in self._taps:
            sent, told = tap.due(now)
            facts += told
            messages += [self._tap_message(tap.plan, at, data) for at, data in sent]
        for time in sorted(self._times, key=DelayTimes.next_due):
            if self._quiet(now) <= now:
                sent = time.due(now)
                messages += [Message(name, at, data) for at, data in sent]
                self._quiet_from = now + QUIET_S if sent else self._quiet_from
            facts += time.take_facts(now)
        return Due(tuple(messages), tuple(facts))

    def _tap_message(self, plan: TapPlan, at: float, data: bytes) -> Message:
        if data != plan.press:
            return Message(self._plan.name, at, data)
        return Message(self._plan.name, at, data, plan.release or b"", at + LATEST_TAP_S, at + UNDO_BY_S)

    def _first_tick(self, at: float, now: float) -> float:
        """Return when a clock that is to begin at ``at`` has its first tick: a Start has to go out before it."""
        return max(at, now + BEGIN_S) if "start" in self._plan.transport else max(at, now)

    def _next_tick(self) -> float:
        return inf if self._clock is None else self._clock.next_due()

    def _exact(self, now: float) -> float:
        """Return when the next of what must be on time is due."""
        song = max(now, self._song.next_due(self._next_tick()))
        return min(song, self._next_tick(), *(tap.next_due() for tap in self._taps))

    def _quiet(self, now: float) -> float:
        """Return when the next delay time may go out: behind what must be on time, if that is due soon."""
        due = min((time.next_due() for time in self._times), default=inf)
        due = max(due, now, self._quiet_from)
        exact = self._exact(now)
        return exact if exact - QUIET_S < due < inf else due
