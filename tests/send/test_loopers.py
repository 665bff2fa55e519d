"""Loopers by examples, each rule one: what is sent, when, and what is told of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest

from bridge.events import Fact, FollowerState
from bridge.events_foot import ActionRefused, DeckStands, LooperChanged
from bridge.rig_foot import EdgeKind, Looper, LooperEdge, Wire
from bridge.send.beats import DeckBeats
from bridge.send.loopers import LooperPlan, Loopers
from bridge.send.schedule import Message

TEMPO = 120.0
BEAT_S = 0.5


def edge(*values: int, kind: EdgeKind = "absolute") -> LooperEdge:
    """Controls 80 with these values."""
    return LooperEdge(messages=tuple(Wire("cc", 80, value) for value in values), kind=kind)


def cc(*values: int) -> bytes:
    return b"".join(bytes((0xB0, 80, value)) for value in values)


RECORD, PLAY, OVERDUB, STOP, CLEAR = cc(1), cc(2), cc(3), cc(4), cc(5)
STEP = cc(127)

ABSOLUTE = Looper(
    name="loop box",
    port="Pedals A",
    listens_to="north",
    record=edge(1),
    play=edge(2),
    overdub=edge(3),
    stop=edge(4),
    clear=edge(5),
)
_STEP = edge(127, kind="toggle")
TOGGLE = Looper(name="loop box", port="Pedals A", listens_to="north", record=_STEP, play=_STEP, overdub=_STEP)


class Set:
    """A looper on a deck at 120 bpm whose beat 0 falls on host time 0."""

    def __init__(self, looper: Looper = ABSOLUTE, *, beat: bool = True, **changed: Any) -> None:
        self.deck = DeckBeats("north")
        self.looper = replace(looper, **changed)
        self.loopers = Loopers((LooperPlan(looper=self.looper, port="Pedals A"),), {"north": self.deck})
        self.sent: list[Message] = []
        self.facts: list[Fact] = []
        self.now = 0.0
        if beat:
            self.stand(0.0, 0.0)

    def stand(
        self, at: float, beats: float, state: FollowerState = "following", tempo: float = TEMPO, runs: bool = True
    ) -> None:
        self.deck.take(DeckStands(at=at, deck="north", state=state, runs=runs, tempo=tempo, beats=beats))

    def ask(self, verb: str, now: float, said: str = "") -> list[Fact]:
        self.now = now
        facts = self.loopers.ask(verb, "loop box", now, said)
        self.facts += facts
        return facts

    def due(self, now: float) -> list[Message]:
        """All that is due by then, each at its time."""
        before = len(self.sent)
        while (at := self.loopers.next_due(self.now)) <= now:
            self.once(max(at, self.now))
        self.now = now
        return self.sent[before:]

    def once(self, now: float) -> list[Message]:
        """What is due if nobody asks before then."""
        self.now = now
        due = self.loopers.due(now)
        self.sent += due.messages
        self.facts += due.facts
        return list(due.messages)

    @property
    def state(self) -> str:
        return self.loopers.states["loop box"]

    def recorded(self, bars: float = 1.0) -> None:
        """A loop was recorded from beat 1 on, and plays."""
        self.ask("arm", 0.1)
        self.due(0.6)
        self.ask("arm", 0.5 + 2 * bars - 0.1)
        self.due(0.5 + 2 * bars)
        assert self.state == "playing"


def bytes_of(messages: Iterable[Message]) -> list[bytes]:
    return [message.data for message in messages if message.data]


def refusal(facts: list[Fact]) -> str:
    (fact,) = facts
    assert isinstance(fact, ActionRefused)
    return fact.why


def changes(facts: Iterable[Fact]) -> list[tuple[float, str, str]]:
    return [(round(f.at, 6), f.was, f.now) for f in facts if isinstance(f, LooperChanged)]


def test_it_records_on_the_next_beat_and_closes_after_its_bars() -> None:
    night = Set(bars=2)
    night.ask("arm", 0.1)
    assert (night.state, night.loopers.armed("loop box")) == ("armed", True)
    (message,) = night.due(0.6)
    assert (message.port, message.at, message.data) == ("Pedals A", 0.5, RECORD)
    (message,) = night.due(10.0)
    assert (message.at, message.data) == (4.5, PLAY)
    assert changes(night.facts) == [(0.1, "idle", "armed"), (0.5, "armed", "recording"), (4.5, "recording", "playing")]
    assert [f.beats for f in night.facts if isinstance(f, LooperChanged)] == [None, None, pytest.approx(8.0)]
