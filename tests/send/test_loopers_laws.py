"""Laws of loopers: whatever is pressed, lost, stalled or restarted, what a looper does is what its messages explain.

Each machine joins the bridge's side to a simulated looper through a port that behaves as the port's own process does.
"""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import replace
from math import inf
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from bridge.events import Fact
from bridge.events_foot import DeckStands, LooperChanged
from bridge.rig_foot import EdgeKind, Looper, LooperEdge, Wire
from bridge.send.beats import DeckBeats
from bridge.send.loopers import LooperPlan, Loopers
from bridge.send.schedule import Message
from bridge.testing.loopers import OPEN, BoxEdge, LoopBox

VERBS = ("arm", "arm", "arm", "fire", "overdub", "play", "stop", "clear")
RECORD, PLAY, OVERDUB, STOP, CLEAR, STEP = range(1, 7)
LATE_S = 0.03


def edge(value: int, kind: EdgeKind = "absolute") -> LooperEdge:
    return LooperEdge(messages=(Wire("cc", 80, value),), kind=kind)


Edges = Mapping[int, BoxEdge]
"""What the values of the control tell a looper."""

ABSOLUTE: Edges = {RECORD: "record", PLAY: "play", OVERDUB: "overdub", STOP: "stop", CLEAR: "clear"}
TOGGLE: Edges = {STEP: "step"}
MIXED: Edges = {RECORD: "record", STOP: "stop", CLEAR: "clear", STEP: "step"}


def cc(value: int) -> bytes:
    return bytes((0xB0, 80, value))


class Port:
    """The port of a looper, and its process: sends what it gets, and undoes it as `bridge.edge.port_hand` does."""

    def __init__(self, box: LoopBox, now: float) -> None:
        self.box = box
        self.now = now
        self.held: dict[bytes, float] = {}
        self.gone = False
        self.leaves_out = False
        self.left_out: list[bytes] = []

    def take(self, message: Message) -> list[int]:
        """Send a message; return the values of the controls in it."""
        if self.gone:
            return []
        if self.leaves_out and message.until < inf:
            self.leaves_out = False
            self.left_out.append(message.data)
            return []
        self._to_box(message.data)
        self.held.pop(message.data, None)
        self.held.pop(message.settles, None)
        if message.undo:
            self.held[message.undo] = message.undo_at
        return values_of(message.data)

    def undo(self, by: float = inf) -> None:
        """Undo what is to be undone by then."""
        for data in [data for data, at in self.held.items() if at <= by]:
            if self.gone:
                self.held[data] = inf
            else:
                del self.held[data]
                self._to_box(data)

    def _to_box(self, data: bytes) -> None:
        for value in values_of(data):
            self.box.receive(self.now, cc(value))


def values_of(data: bytes) -> list[int]:
    assert len(data) % 3 == 0
    assert all(data[start : start + 2] == b"\xb0\x50" for start in range(0, len(data), 3))
    return list(data[2::3])


class Loop(RuleBasedStateMachine):
    """One looper, its box, its port, its tape, and what happens to them at night."""

    looper: Looper
    edges: Edges

    @initialize(
        starts_on=st.sampled_from([0, 1, 4, -1]),
        bars=st.sampled_from([None, 1, 2]),
        if_lost=st.sampled_from(["fire", "give up"]),
        latency_ms=st.sampled_from([0.0, 20.0, -20.0]),
    )
    def plug_in(self, **changed: Any) -> None:
        self.deck = DeckBeats("north")
        self.plan = LooperPlan(looper=replace(self.looper, **changed), port="Pedals A")
        self.loopers = Loopers((self.plan,), {"north": self.deck})
        self.box = LoopBox({cc(value): edge for value, edge in self.edges.items()})
        self.now = 100.0
        self.port = Port(self.box, self.now)
        self.tempo, self.beat = 120.0, 7.3
        self.state = "following"
        self.listens = True
        self.touched = False  # by hand, and nobody said so
        self.by_hand = False  # what is open was opened by hand
        self.does = "idle"  # what it does as the journal tells it
        self.journal = "idle"
        self.may_record = False  # somebody asked for it
        self.may_overdub = False
        self._tell()

    # --- what happens

    @rule(seconds=st.sampled_from([0.02, 0.3, 1.1, 2.5, 9.0]))
    def wait(self, seconds: float) -> None:
        end = self.now + seconds
        while self.now < end:
            self._go_on(min(end, self.now + 0.25))
            self._tell()

    @rule(seconds=st.sampled_from([0.03, 0.09, 0.3, 1.3, 7.0]), tempo=st.sampled_from([None, 60.0, 240.0]))
    def stand_still(self, seconds: float, tempo: float | None) -> None:
        """The sender does; its ports' processes do not, nor does the tape."""
        if tempo is not None:
            self.tempo = tempo
            self.beat -= 0.4
        self._pass(self.now + seconds)
        if tempo is not None:
            self._tell()
        self._due()

    @rule(verb=st.sampled_from(VERBS))
    def press(self, verb: str) -> None:
        facts = self.loopers.ask(verb, "loop box", self.now)
        self.may_overdub = verb == "overdub"
        self._journal(facts)
        self._due()
        self.may_overdub = False

    @rule(presses=st.lists(st.sampled_from(VERBS), max_size=3), seconds=st.sampled_from([0.1, 1.3, 5.2, 11.0]))
    def play_in_peace(self, presses: list[str], seconds: float) -> None:
        """Without this the night is all trouble."""
        self.state, self.listens = "following", True
        self._tell()
        self.deck.count_one(self.now)
        for verb in ("arm", *presses):
            self._tell()
            self.press(verb)
            self.wait(seconds)

    @rule(value=st.sampled_from([RECORD, PLAY, OVERDUB, STOP, CLEAR]))
    def use_its_own_switch(self, value: int) -> None:
        was = self.box.state
        self.box.press(self.now, "step" if self.edges is TOGGLE else ABSOLUTE[value])
        self.touched = True
        self.by_hand = self.by_hand or (self.box.state in OPEN and self.box.state != was)

    @rule(certain=st.booleans())
    def say_so(self, certain: bool) -> None:
        self._journal(self.loopers.ask("looper is", "loop box", self.now, self.box.state if certain else "unknown"))
        self.touched = False
        self.by_hand = self.by_hand or (certain and self.box.state in OPEN)
        self._due()

    @rule(state=st.sampled_from(["following", "holding", "idle"]), tempo=st.sampled_from([60.0, 118.0, 121.0, 240.0]))
    def play_another_tape(self, state: str, tempo: float) -> None:
        self.state, self.tempo = state, tempo
        self._tell()

    @rule(beats=st.sampled_from([0.1, 0.5, -0.3]))
    def move_the_beats(self, beats: float) -> None:
        self.beat += beats
        self._tell()

    @rule()
    def press_this_is_one(self) -> None:
        self.deck.count_one(self.now)

    @rule()
    def sleep_and_lose_the_bars(self) -> None:
        self.deck.lose_phase()

    @rule()
    def lose_or_restart_the_listener(self) -> None:
        self.listens = not self.listens
        self._tell()

    @rule()
    def leave_the_next_out(self) -> None:
        self.port.leaves_out = True

    @precondition(lambda self: not self.port.gone)
    @rule(seconds=st.sampled_from([0.05, 0.9]))
    def pull_the_cable(self, seconds: float) -> None:
        """It is noticed a little later, and what is sent meanwhile is lost."""
        self.port.gone = True
        self._go_on(self.now + seconds)
        self._journal(self.loopers.lost_port("Pedals A", self.now))
        self._due()

    @precondition(lambda self: self.port.gone)
    @rule(undoes=st.booleans())
    def plug_it_in_again(self, undoes: bool) -> None:
        """The port's process undoes what is held, unless only its driver stood still."""
        self.port.gone = False
        if undoes:
            self.port.undo()
        self._journal(self.loopers.opened_port("Pedals A", self.now))
        self._due()

    @rule(ends=st.booleans())
    def be_quiet(self, ends: bool) -> None:
        self._journal(self.loopers.end(self.now) if ends else self.loopers.quiet(self.now))
        self._due()
        if self.plan.looper.stop is not None and not self.port.gone and not self.touched:
            assert self.box.state not in OPEN

    # --- what holds

    @invariant()
    def what_it_does_is_what_the_bridge_says_unless_that_says_that_it_does_not_know(self) -> None:
        assert self.loopers.states["loop box"] == self.journal
        if self.touched or self.does == "unknown":
            return
        if self.edges is ABSOLUTE and self.does == "stopped":  # whether it is empty nothing that is sent rests on
            assert self.box.state in ("stopped", "idle")
        else:
            assert self.box.state == self.does

    @invariant()
    def should_the_sender_vanish_nothing_stays_open_that_something_absolute_closes(self) -> None:
        after = deepcopy(self.port)
        was = after.box.state
        after.undo()
        if was not in OPEN:
            assert after.box.state not in OPEN
        if self.plan.looper.stop is not None and not self.by_hand and not self.port.gone:
            assert after.box.state not in OPEN

    @invariant()
    def what_is_known_to_be_closed_is_not_closed_once_more_by_its_port(self) -> None:
        if self.does in ("idle", "playing", "stopped") and not self.port.gone:
            assert self.port.held == {}

    @invariant()
    def a_recording_of_so_many_bars_has_its_end_ahead(self) -> None:
        if self.does == "recording" and not self.by_hand and self.plan.looper.bars is not None:
            (view,) = self.loopers.view(self.now)
            assert view.closes_in_s is not None

    # --- how time passes

    def _go_on(self, end: float) -> None:
        """Let the sender do what is due at its time, until ``end``."""
        while (at := self.loopers.next_due(self.now)) <= end:
            self._pass(max(at, self.now))
            self._due()
        self._pass(end)

    def _pass(self, end: float) -> None:
        self.beat += (end - self.now) * self.tempo / 60
        self.now = self.port.now = end
        self.port.undo(end)

    def _due(self) -> None:
        """Send what is due now, and tell what was left out."""
        for _ in range(3):
            due = self.loopers.due(self.now)
            for message in due.messages:
                self._send(message)
            self._journal(list(due.facts))
            while self.port.left_out:
                self._journal(self.loopers.missed("Pedals A", self.port.left_out.pop(), self.now))
        assert self.loopers.due(self.now) == ((), ())
        assert self.loopers.next_due(self.now) > self.now, "the sender would spin"

    def _send(self, message: Message) -> None:
        was = self.box.state
        sent = self.port.take(message)
        if sent and self.edges is ABSOLUTE and (sent[-1] != STOP or self.does == "stopped"):
            self.touched = False
        if sent and self.box.state not in OPEN:
            self.by_hand = False
        if self.touched and self.box.state in OPEN:  # a toggle that was sent in good faith
            self.by_hand = True
        if self.touched or self.box.state == was:
            return
        if self.box.state == "recording":
            assert self.may_record
            assert self.now - message.at <= LATE_S + 1e-9
            self.may_record = self.by_hand = False
        elif self.box.state == "overdubbing":
            assert self.may_overdub

    def _journal(self, facts: list[Fact]) -> None:
        for fact in facts:
            if isinstance(fact, LooperChanged):
                assert fact.was == self.journal
                self.journal = fact.now
                if fact.now == "armed":
                    self.may_record = True
                else:
                    self.does = fact.now
                    self.may_record = False

    def _tell(self) -> None:
        if self.listens:
            beats = None if self.state == "idle" else self.beat
            tempo = None if beats is None else self.tempo
            self.deck.take(
                DeckStands(
                    at=self.now, deck="north", state=self.state, runs=self.state != "idle", tempo=tempo, beats=beats
                )
            )


class Absolute(Loop):
    """Each edge has a message of its own."""

    edges = ABSOLUTE
    looper = Looper(
        name="loop box",
        listens_to="north",
        record=edge(RECORD),
        play=edge(PLAY),
        overdub=edge(OVERDUB),
        stop=edge(STOP),
        clear=edge(CLEAR),
    )


class Toggle(Loop):
    """Closed only by the same toggle that opens it."""

    edges = TOGGLE
    looper = Looper(
        name="loop box",
        listens_to="north",
        record=edge(STEP, "toggle"),
        play=edge(STEP, "toggle"),
        overdub=edge(STEP, "toggle"),
    )


class Mixed(Loop):
    """Some edges are absolute, and its play is not: an empty one records by it."""

    edges = MIXED
    looper = replace(Absolute.looper, play=edge(STEP, "toggle"), overdub=None)


TestAbsolute, TestToggle, TestMixed = Absolute.TestCase, Toggle.TestCase, Mixed.TestCase
TestAbsolute.settings = TestToggle.settings = TestMixed.settings = settings(
    max_examples=60, stateful_step_count=30, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
