"""The parent process of a set: owns the MIDI outputs, sends each tick when it is due, and keeps a listener running.

It imports little and never prints: the listener has the terminal. While the listener is gone the clocks go on at
their last tempo.
"""

from __future__ import annotations

import gc
import os
import select
import socket
from collections.abc import Callable
from contextlib import ExitStack, closing
from dataclasses import dataclass
from functools import partial
from math import inf

from bridge.actions import Action, action_of
from bridge.edge.awake import Awake
from bridge.edge.child import Listen, Listeners, signals_noted
from bridge.edge.control import Control
from bridge.edge.host_clock import SPIN_S, SuspendWatch, now, wall
from bridge.edge.link import EndAsked, Link
from bridge.edge.outputs import Outputs
from bridge.edge.port_process import PortProcesses
from bridge.edge.port_set import OutPort, Ports, PortSet, PortSystem
from bridge.edge.priority import Granted, on_time
from bridge.events import Fact, PedalTold, PortLost, PortOpened, TicksDropped
from bridge.events_foot import ActionRefused, AllQuieted, DeckStands, StageStands, SwitchUsed
from bridge.events_hand import Hand, HandsOff
from bridge.events_host import FootLost, HostSuspended, SenderReady
from bridge.events_sent import MessageLeftOut
from bridge.send.hands import Hands
from bridge.send.messages import CLOCK
from bridge.send.plan import SendPlan
from bridge.send.schedule import Message, Schedule
from bridge.send.stage import Stage

TURN_S = 0.1
"""Longest wait in seconds: how soon a signal is noticed, and how often the listener and the ports are looked after."""

SLACK_S = 0.008
"""Looking after things waits for so much time before the next tick, in seconds, or until it is `OVERDUE_S` late.

Starting a listener takes 5 ms of ours (measured), a look at the ports up to 1 ms.
"""

SHOW_EVERY_S = 0.5
"""How often the listener is told what is to be seen of loopers and cues, in seconds."""

OVERDUE_S = 1.0
"""A turn of the loop that took so long, in seconds, was a stall of this process."""

END_S = 5.0
"""Time that the listener has for ending the set, in seconds; then it is killed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetEnded:
    """How a set ended.

    Attributes:
        why: Who or what ended it.
        starts: How often a listener was started; 1 if none was lost.
        killed: Whether the last listener had to be killed because it did not end in time.
        failed: Whether the last listener did not end in order: it failed, and told the terminal why, or was killed.
        ticks_sent: Clock ticks that open ports took.
        ticks_dropped: Clock ticks that were left out after a stall.
        orders_refused: Orders of the listener for pedals that the plan does not have.
        priority: What the system granted: as `bridge.edge.priority.Granted` has it.
        unheard: Facts of the sender that no listener vouched for, oldest first; its journal may lack them.
        facts_dropped: Facts of the sender that were dropped because too many waited for a listener.
    """

    why: str
    starts: int
    killed: bool
    failed: bool
    ticks_sent: int
    ticks_dropped: int
    orders_refused: int
    priority: str
    unheard: tuple[Fact, ...]
    facts_dropped: int


def run(
    plan: SendPlan,
    listen: Listen,
    *,
    foot: Listen | None = None,
    for_s: float | None = None,
    system: Callable[[], PortSystem] | None = None,
    open_port: Callable[[str], OutPort] | None = None,
) -> SetEnded:
    """Run a set until it is ended: by Ctrl-C, SIGTERM, ``tapebridge end``, the listener, or after ``for_s`` seconds.

    To be called in the main thread, since it takes the signals; they and the process's priority are given back.

    Args:
        plan: The ports and who they feed.
        listen: How to run the listener.
        foot: How to run the process that hears switches; None where the rig has none.
        for_s: Length of the set in seconds; None for no limit.
        system: Called in the process of each MIDI output, gives what opens it; picklable. None for the machine's own.
        open_port: Opens a MIDI output by its name in the plan, or raises DeviceError; used in this process, in the
            place of ``system``, for outputs that cannot block.

    Raises:
        BridgeError: A set is running already.
        ValueError: ``for_s`` is not above 0.
    """
    if for_s is not None and not for_s > 0:
        raise ValueError(f"for_s must be above 0 seconds, got {for_s!r}")
    with ExitStack() as stack:
        control = stack.enter_context(closing(Control(now, plan.names)))
        asked = stack.enter_context(signals_noted())
        names = [port.name for port in plan.ports]
        system = system or partial(Outputs, plan.api, plan.virtual, os.getpid())
        ports: PortSet | PortProcesses = (
            PortProcesses(names, system, now) if open_port is None else PortSet(names, open_port, now)
        )
        stack.callback(ports.close)
        awake = stack.enter_context(closing(Awake(now)))
        granted = stack.enter_context(on_time())
        feet = Listeners(foot, now, FootLost) if foot is not None else None
        sender = _Sender(plan, Listeners(listen, now), feet, ports, control, awake, granted)
        stack.callback(sender.listeners.kill)
        if feet is not None:
            stack.callback(feet.kill)
        return sender.run(asked, for_s)


class _Sender:
    def __init__(
        self,
        plan: SendPlan,
        listeners: Listeners,
        feet: Listeners | None,
        ports: Ports,
        control: Control,
        awake: Awake,
        granted: Granted,
    ) -> None:
        self._plan = plan
        self.listeners = listeners
        self._feet = feet
        self._knows: set[str] = set()  # decks of which the listener that runs has told how they stand
        self._awake = awake
        self._suspends = SuspendWatch()
        self._priority = granted.priority
        self.listeners.post(
            SenderReady(
                at=now(), pid=os.getpid(), priority=granted.priority, timer=granted.timer, memory=granted.memory
            )
        )
        self._ports = ports
        self._control = control
        self.listeners.tend()  # the first start of a listener takes 15 ms and more: before any clock runs
        self._schedule = Schedule(plan, now())
        self._stage = Stage(plan.stage, now())
        self._hands = Hands(plan)
        self._tended_at = self._shown_at = -inf
        self._why = ""
        self._ticks_sent = 0
        self._ticks_dropped = 0
        self._orders_refused = 0

    def run(self, asked: list[str], for_s: float | None) -> SetEnded:
        """Send until the set is ended, and until the listener has ended it."""
        end_at = None if for_s is None else now() + for_s
        while not self._why:
            self._turn()
            if asked:
                self._why = asked[0]
            elif end_at is not None and now() >= end_at:
                self._why = f"its {for_s:g} s were over"
        if self._feet is not None:
            self._feet.ask_end(self._why)
        for fact in self._stage.end(now()):  # while there is somebody to write it down
            self._route(fact)
        self._send()
        self.listeners.ask_end(self._why)
        give_up = now() + END_S
        while not self.listeners.gone and now() < give_up:
            self._turn()
        self._schedule.end(now())
        self._send()
        killed = not self.listeners.gone
        self.listeners.receive()  # its last word says what it has heard
        return SetEnded(
            why=self._why,
            starts=self.listeners.starts,
            killed=killed,
            failed=self.listeners.failed,
            ticks_sent=self._ticks_sent,
            ticks_dropped=self._ticks_dropped,
            orders_refused=self._orders_refused,
            priority=self._priority,
            unheard=self.listeners.unheard,
            facts_dropped=self.listeners.dropped,
        )

    def _turn(self) -> None:
        """Wait for what comes until shortly before the next tick, deal with it, and send the tick if it is time."""
        began = now()
        early_s = self._ports.lead_s or SPIN_S
        self._attend(min(self._next_due() - early_s - began, TURN_S))
        due = self._next_due()
        if due - now() <= early_s:
            while now() < due - self._ports.lead_s:
                pass
            self._send()
        at = now()
        if at - began >= OVERDUE_S:
            for child in (self.listeners, self._feet):
                if child is not None:
                    child.excuse(at)
        if at - self._tended_at >= TURN_S and (self._next_due() - at >= SLACK_S or at - self._tended_at >= OVERDUE_S):
            self._tend()

    def _next_due(self) -> float:
        return min(self._schedule.next_due(), self._stage.next_due(now()))

    def _send(self) -> None:
        """Hand over what is due within the ports' lead, and drop what is late."""
        while (due := self._next_due()) <= (at := now()) + self._ports.lead_s:
            moment = max(due, at)
            for source in (self._schedule.due(moment), self._stage.due(moment, wall)):
                for message in source.messages:
                    self._hand_over(message)
                for fact in source.facts:
                    if isinstance(fact, TicksDropped):
                        self._ticks_dropped += fact.count
                    self._route(fact)

    def _hand_over(self, message: Message) -> None:
        is_taken = self._ports.send(
            message.port, message.data, message.at, message.undo, message.until, message.undo_at, message.settles
        )
        self._ticks_sent += is_taken and message.data == CLOCK
        if not is_taken and message.data != CLOCK:
            for fact in self._stage.missed(message.port, message.data, now()):
                self._route(fact)

    def _attend(self, longest_s: float) -> None:
        """Take in what the children and other terminals say, waiting for it at most ``longest_s`` seconds."""
        children = [self.listeners] if self._feet is None else [self.listeners, self._feet]
        links = [child.link for child in children if child.link is not None]
        reads: list[Link | socket.socket] = [*self._control.sockets(), *links]
        readable, writable, _ = select.select(reads, [link for link in links if link.waiting], [], max(0.0, longest_s))
        for link in writable:
            link.flush()
        for child in children:
            if child.link in readable:
                for wanted in child.receive():
                    self._obey(wanted)
        ready = [one for one in readable if isinstance(one, socket.socket)]
        if self._control.serve(ready, self._do_asked):
            self._why = self._why or "tapebridge end"

    def _obey(self, wanted: Fact | EndAsked) -> None:
        """Do what a child wants; what it only tells is passed on to the journal."""
        match wanted:
            case EndAsked():
                self._why = self._why or wanted.why
            case PedalTold():
                self._order(wanted)
            case DeckStands():
                self._stage.hear(wanted, wanted.deck not in self._knows, now())
                self._knows.add(wanted.deck)
            case SwitchUsed():
                self.listeners.post(wanted)
                self._do_text(wanted)
            case _:
                self.listeners.post(wanted, is_output=False)

    def _order(self, order: PedalTold) -> None:
        try:
            if self._hands.passes(order):
                self._schedule.take(order, now())
        except ValueError:  # a listener at odds with the plan must not stop the clocks that it knows
            self._orders_refused += 1

    def _do_text(self, used: SwitchUsed) -> None:
        try:
            action = action_of(used.action, self._plan.names)
        except ValueError as error:
            self.listeners.post(ActionRefused(at=used.at, action=used.action, why=str(error)))
        else:
            self._do(action, used.at)

    def _do_asked(self, action: Action) -> str:
        """Do what another terminal asks for; return why not, empty if it was done."""
        at = now()
        self.listeners.post(SwitchUsed(at=at, switch="terminal", how="press", action=str(action)))
        refused = self._do(action, at)
        return f"{refused[0].action}: {refused[0].why}." if refused else ""

    def _do(self, action: Action, at: float) -> list[ActionRefused]:
        """Do an action; return what of it was refused."""
        facts = self._stage.do(action, at, now(), wall())
        for fact in facts:
            self._route(fact)
        return [fact for fact in facts if isinstance(fact, ActionRefused)]

    def _route(self, fact: Fact) -> None:
        """Let everybody know of a fact whom it is about."""
        if isinstance(fact, Hand):
            self._do_by_hand(fact)
            return
        if isinstance(fact, AllQuieted):
            self._schedule.quiet(now())
        self.listeners.post(fact)

    def _do_by_hand(self, hand: Hand) -> None:
        """Do it, whether there is a listener or not; the policies hear of it through the journal's way."""
        again = self._hands.take(hand)
        if isinstance(hand, HandsOff):
            self._schedule.hands_off(hand.pedal, now())
        for order in again:
            self._schedule.take(order, now())
        self.listeners.hands = self._hands.standing
        self.listeners.post(hand)

    def _tend(self) -> None:
        """Look after the ports, the children and the other terminals."""
        self._ports.tend()
        for fact in self._ports.take_facts():
            self._take_of_port(fact)
        if (told := self._awake.look()) is not None:
            self.listeners.post(told)
        if slept_s := self._suspends.look():
            self._schedule.lose_phase(now())
            self._stage.lose_phase()
            self.listeners.post(HostSuspended(at=now(), slept_s=slept_s))
        self._stage.tend(now())
        if now() >= self._shown_at + SHOW_EVERY_S:
            self._shown_at = now()
            self.listeners.show(StageStands(at=now(), lines=self._stage.lines(now())))
        self._control.tend()
        if self._feet is not None:
            self._feet.tend()
            for fact in self._feet.take_lost():
                self.listeners.post(fact)
        starts = self.listeners.starts
        self.listeners.tend()
        if self.listeners.starts != starts:
            self._knows.clear()
            gc.collect()  # the only place that leaves cycles behind
        self._tended_at = now()

    def _take_of_port(self, fact: Fact) -> None:
        """Take in what happened to a port, and say what follows."""
        follows: list[Fact] = []
        if isinstance(fact, MessageLeftOut):
            data = bytes.fromhex(fact.data)
            follows = [*self._schedule.missed(fact.port, data, now()), *self._stage.missed(fact.port, data, now())]
        elif isinstance(fact, TicksDropped):  # by the port's own process
            self._ticks_dropped += fact.count
            self._ticks_sent -= fact.count
            self._schedule.lost(fact.port)
        elif isinstance(fact, PortOpened):
            self._schedule.opened(fact.port, now())
            follows = self._stage.opened(fact.port, now())
        elif isinstance(fact, PortLost):
            self._schedule.gone(fact.port, now())
            follows = self._stage.gone(fact.port, now())
        if not isinstance(fact, MessageLeftOut):
            self.listeners.post(fact)
        for following in follows:
            self._route(following)
