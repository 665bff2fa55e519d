"""Loopers by examples, each rule one: what is sent, when, and what is told of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise
from math import inf
from typing import Any

import pytest

from bridge.events import Fact, FollowerState
from bridge.events_foot import ActionRefused, DeckStands, LooperChanged, LoopMeasured
from bridge.events_hand import LoopChanged
from bridge.rig_foot import EdgeKind, Looper, LooperEdge, Wire
from bridge.send.beats import DeckBeats
from bridge.send.loopers import LooperPlan, Loopers, LooperView
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


def test_armed_again_it_is_disarmed_and_sends_nothing() -> None:
    night = Set()
    night.ask("arm", 0.1)
    night.ask("arm", 0.2)
    assert (night.state, night.due(5.0)) == ("idle", [])
    night.ask("arm", 5.1)
    night.ask("stop", 5.2)
    assert (night.state, night.due(9.0)) == ("idle", [])


@pytest.mark.parametrize(("starts_on", "at"), [(1, 0.5), (-1, 3.0), (2, 1.0), (3, 2.5), (8, 5.0)])
def test_it_starts_on_beats_and_bars_counted_from_bar_one(starts_on: int, at: float) -> None:
    """Bar one is beat 2, and it is armed right after beat 0; a bar has 4 beats."""
    night = Set(starts_on=starts_on)
    night.deck.count_one(1.0)
    night.ask("arm", 0.1 if at < 1 else 0.9 if at < 2 else 1.1)
    (message,) = night.due(6.0)
    assert message.at == pytest.approx(at)


def test_now_means_now_even_without_a_beat() -> None:
    night = Set(beat=False, starts_on=0, bars=2)
    night.ask("arm", 0.3)
    (message,) = night.due(0.3)
    assert (message.at, message.data, message.undo_at) == (0.3, RECORD, inf)
    assert night.due(60.0) == []
    (told,) = [fact for fact in night.facts if isinstance(fact, LooperChanged) and fact.now == "recording"]
    assert "close it by hand" in told.why
    night.ask("arm", 60.1)
    assert bytes_of(night.due(60.1)) == [PLAY]


def test_without_a_beat_or_without_the_bars_that_it_needs_it_cannot_be_armed() -> None:
    night = Set(beat=False)
    assert "no beat yet" in refusal(night.ask("arm", 0.1))
    night = Set(starts_on=-1)
    assert "this is one" in refusal(night.ask("arm", 0.1))
    night = Set(starts_on=4)
    assert "this is one" in refusal(night.ask("arm", 0.1))
    assert night.due(9.0) == []


def test_it_never_erases_a_loop_that_a_message_could_clear() -> None:
    night = Set()
    night.recorded()
    for _ in range(2):
        assert "clear it first" in refusal(night.ask("arm", 3.0))
        night.ask("stop", 3.1)
    night.ask("looper is", 3.2, "unknown")
    assert "may hold a loop" in refusal(night.ask("arm", 3.3))
    night.ask("clear", 3.4)
    night.ask("arm", 3.41)
    assert bytes_of(night.due(4.0)) == [STOP, STOP, CLEAR, RECORD]


def test_without_a_message_that_clears_an_absolute_one_records_over_the_loop_and_a_toggle_does_not() -> None:
    night = Set(clear=None)
    night.recorded()
    night.ask("arm", 3.1)
    assert bytes_of(night.due(3.5)) == [RECORD]
    night = Set(TOGGLE)
    night.recorded()
    assert "clear that first" in refusal(night.ask("arm", 3.1))


def test_pressed_while_it_records_it_closes_at_the_next_moment_that_its_table_allows() -> None:
    night = Set(starts_on=-1)
    night.deck.count_one(0.0)
    night.ask("arm", 1.9)
    night.due(2.0)
    night.ask("arm", 2.0)  # on the very beat of its beginning: a loop is a bar at least
    assert [(m.at, m.data) for m in night.due(9.0) if m.data] == [(4.0, PLAY)]


def test_a_press_closes_earlier_than_its_bars_and_never_later() -> None:
    night = Set(bars=2)
    night.ask("arm", 0.1)
    night.due(1.7)
    night.ask("arm", 1.7)
    night.ask("arm", 1.8)
    assert [(m.at, m.data) for m in night.due(9.0) if m.data] == [(2.0, PLAY)]
    night = Set(bars=1, starts_on=8)
    night.deck.count_one(0.0)
    night.ask("arm", 3.9)
    night.due(4.0)
    night.ask("arm", 5.0)
    assert [(m.at, m.data) for m in night.due(9.0) if m.data] == [(6.0, PLAY)]


def test_a_recording_whose_bars_were_forgotten_meanwhile_closes_bars_from_its_own_beginning() -> None:
    night = Set(starts_on=-1)
    night.deck.count_one(0.0)
    night.ask("arm", 1.9)
    night.due(2.0)
    night.deck.lose_phase()
    night.ask("arm", 4.3)
    assert [(m.at, m.data) for m in night.due(9.0) if m.data] == [(6.0, PLAY)]


def test_fire_does_at_once_what_it_is_armed_for_and_closes_at_once() -> None:
    night = Set(starts_on=-1, bars=4)
    night.deck.count_one(0.0)
    assert "arm it first" in refusal(night.ask("fire", 0.1))
    night.ask("arm", 0.2)
    night.ask("fire", 0.3)
    night.due(1.0)
    night.ask("fire", 1.1)
    night.due(30.0)
    assert [(m.at, m.data) for m in night.sent if m.data] == [(0.3, RECORD), (1.1, PLAY)]


def test_its_close_moves_with_the_line_of_the_deck_and_its_port_hears_of_it() -> None:
    """At half the tempo the 7 beats that are left take twice as long; nobody tells it later that the tempo is held."""
    night = Set(bars=2)
    night.ask("arm", 0.1)
    (record,) = night.due(0.5)
    assert (record.undo, record.undo_at) == (PLAY, pytest.approx(4.6))
    night.stand(1.0, 2.0, tempo=60.0)
    (moved,) = night.due(1.0)
    assert (moved.data, moved.undo, moved.undo_at) == (b"", PLAY, pytest.approx(8.1))
    night.stand(1.25, 2.25, tempo=60.01)
    assert night.due(1.25) == []  # by a few ms
    (close,) = night.due(20.0)
    assert (close.at, close.data, close.settles) == (pytest.approx(8.0, abs=0.01), PLAY, PLAY)


def test_a_recording_without_bars_is_closed_by_its_port_only_if_the_sender_vanishes() -> None:
    night = Set()
    night.ask("arm", 0.1)
    (record,) = night.due(0.5)
    assert (record.undo, record.undo_at) == (PLAY, inf)


@pytest.mark.parametrize(
    ("looper", "undo"),
    [
        (ABSOLUTE, PLAY),
        (replace(ABSOLUTE, play=edge(2, kind="toggle")), STOP),
        (replace(ABSOLUTE, play=None), STOP),
        (TOGGLE, b""),
    ],
)
def test_only_what_is_absolute_is_left_with_the_port(looper: Looper, undo: bytes) -> None:
    night = Set(looper, bars=1)
    night.ask("arm", 0.1)
    (record,) = night.due(0.5)
    assert record.undo == undo
    assert (record.undo_at < inf) == bool(undo)
    if undo:
        night.due(9.0)
        assert [m.settles for m in night.sent] == [b"", undo]


def test_an_overdub_is_closed_too_if_the_sender_vanishes() -> None:
    night = Set()
    night.recorded()
    night.ask("overdub", 3.0)
    (message,) = night.due(3.0)
    assert (message.data, message.undo, message.undo_at, night.state) == (OVERDUB, PLAY, inf, "overdubbing")
    night.ask("overdub", 4.0)
    (message,) = night.due(4.0)
    assert (message.data, message.settles, night.state) == (PLAY, PLAY, "playing")


@pytest.mark.parametrize("latency_ms", [30.0, -40.0])
def test_latency_is_taken_off_and_what_is_told_is_when_it_counts(latency_ms: float) -> None:
    night = Set(bars=1, latency_ms=latency_ms)
    night.ask("arm", 0.1)
    night.due(3.0)
    assert [m.at for m in night.sent] == [pytest.approx(0.5 - latency_ms / 1e3), pytest.approx(2.5 - latency_ms / 1e3)]
    assert changes(night.facts)[1:] == [(0.5, "armed", "recording"), (2.5, "recording", "playing")]


def test_what_would_go_out_before_the_press_waits_for_the_next_beat() -> None:
    night = Set(latency_ms=30.0)
    night.ask("arm", 0.48)
    assert [m.at for m in night.due(3.0)] == [pytest.approx(0.97)]


def test_a_toggle_is_sent_only_while_the_state_is_known() -> None:
    night = Set(TOGGLE)
    night.recorded()
    night.ask("looper is", 3.0, "unknown")
    for verb in ("play", "overdub", "arm", "stop", "clear", "fire"):
        assert refusal(night.ask(verb, 3.1))
    assert "looper is: loop box, playing" in refusal(night.ask("play", 3.1))
    night.ask("looper is", 3.2, "playing")
    night.ask("overdub", 3.3)
    assert bytes_of(night.due(9.0)) == [STEP]


def test_in_unknown_what_is_absolute_is_sent() -> None:
    for verb, data, state in (("play", PLAY, "playing"), ("stop", STOP, "stopped"), ("clear", CLEAR, "idle")):
        night = Set()
        night.ask("looper is", 0.1, "unknown")
        night.ask(verb, 0.2)
        assert (bytes_of(night.due(9.0)), night.state) == ([data], state)


def test_a_looper_with_a_toggle_stays_unknown_until_it_is_certain_whether_it_holds_a_loop() -> None:
    """Its play would begin a recording if it were empty."""
    night = Set(play=edge(2, kind="toggle"))
    night.ask("looper is", 0.1, "unknown")
    night.ask("stop", 0.2)
    assert (bytes_of(night.due(0.2)), night.state) == ([STOP], "unknown")
    assert refusal(night.ask("play", 0.3))
    night.ask("clear", 0.4)
    assert (bytes_of(night.due(0.4)), night.state) == ([CLEAR], "idle")


@pytest.mark.parametrize("looper", [ABSOLUTE, TOGGLE])
def test_its_own_switch_reported_as_unknown_ends_what_was_planned(looper: Looper) -> None:
    night = Set(looper, bars=1)
    night.ask("arm", 0.1)
    night.due(0.6)
    night.ask("looper is", 1.0, "unknown")
    assert night.state == "unknown"
    sent = night.due(60.0)
    assert bytes_of(sent) == []
    assert [(m.undo, m.undo_at) for m in sent] == ([(PLAY, inf)] if looper is ABSOLUTE else [])  # if all else dies


def test_its_own_switch_reported_as_what_it_did_sets_the_state_and_settles_what_was_open() -> None:
    night = Set(bars=2)
    night.ask("arm", 0.1)
    night.due(0.6)
    night.ask("looper is", 2.5, "playing")
    (message,) = night.due(60.0)
    assert (message.data, message.settles) == (b"", PLAY)
    (told,) = [fact for fact in night.facts if isinstance(fact, LooperChanged) and fact.now == "playing"]
    assert told.beats == pytest.approx(4.0)
    night.ask("looper is", 61.0, "playing")
    assert len([fact for fact in night.facts if isinstance(fact, LooperChanged)]) == 3


def test_armed_it_is_disarmed_by_its_own_switch() -> None:
    night = Set()
    night.ask("arm", 0.1)
    night.ask("looper is", 0.2, "recording")
    assert (night.state, night.due(60.0)) == ("recording", [])


@pytest.mark.parametrize(
    ("if_lost", "why", "data"), [("give up", "the beat was lost", []), ("fire", "on the held beat", [RECORD])]
)
def test_a_beat_that_is_lost_before_it_fires_does_as_the_rig_says_and_is_told(
    if_lost: Any, why: str, data: list[bytes]
) -> None:
    night = Set(if_lost=if_lost)
    night.ask("arm", 0.1)
    night.stand(0.3, 0.6, "holding")
    assert bytes_of(night.due(0.7)) == data
    told = night.facts[-1]
    assert isinstance(told, LooperChanged)
    assert (told.why, told.now) == (why, "recording" if data else "idle")


@pytest.mark.parametrize(("if_lost", "at"), [("give up", []), ("fire", [2.0])])
def test_bars_that_are_lost_count_as_a_lost_beat(if_lost: Any, at: list[float]) -> None:
    night = Set(if_lost=if_lost, starts_on=-1)
    night.deck.count_one(0.0)
    night.ask("arm", 0.1)
    night.stand(0.3, 0.6, runs=False)
    assert [m.at for m in night.due(9.0)] == at


def test_a_bar_one_that_is_moved_moves_what_is_armed() -> None:
    night = Set(starts_on=-1)
    night.deck.count_one(0.0)
    night.ask("arm", 0.6)
    night.deck.count_one(0.7)
    assert [m.at for m in night.due(9.0)] == [2.5]


def test_after_a_stall_a_recording_waits_for_the_next_moment_and_a_close_goes_out_at_once() -> None:
    night = Set(bars=1)
    night.ask("arm", 0.1)
    assert night.once(1.2) == []
    assert night.loopers.next_due(1.2) == 1.5
    assert night.once(1.54) == []  # further beside the beat than 30 ms
    assert bytes_of(night.once(2.028)) == [RECORD]  # as late as it may be
    (close,) = night.once(7.0)
    assert (close.data, night.state) == (PLAY, "playing")


def test_what_begins_a_little_late_is_as_long_as_its_bars_all_the_same() -> None:
    night = Set(bars=1)
    night.ask("arm", 0.1)
    (record,) = night.once(0.525)
    assert record.undo_at == pytest.approx(2.625)
    assert [m.at for m in night.due(9.0)] == [pytest.approx(2.525)]


def test_after_a_stall_a_toggle_gives_way_to_what_the_port_has_sent_meanwhile() -> None:
    """Its port has stopped it: the toggle would play it now."""
    night = Set(play=edge(2, kind="toggle"), bars=1)
    night.ask("arm", 0.1)
    night.due(0.5)
    assert bytes_of(night.once(5.0)) == [STOP]
    assert night.state == "stopped"
    assert changes(night.facts)[-1][0] == pytest.approx(2.6)


def test_a_message_that_was_left_out_makes_the_state_unknown_and_plans_nothing() -> None:
    night = Set(bars=1)
    night.ask("arm", 0.1)
    (record,) = night.due(0.5)
    assert record.until == pytest.approx(0.55)
    assert night.loopers.missed("Pedals B", RECORD, 0.7) == night.loopers.missed("Pedals A", CLEAR, 0.7) == []
    night.facts += night.loopers.missed("Pedals A", RECORD, 0.7)
    assert night.state == "unknown"
    (settled,) = night.due(60.0)
    assert (settled.data, settled.settles, settled.undo) == (b"", PLAY, b"")


def test_a_toggle_is_never_left_out_on_the_way() -> None:
    """The next one would do what this one was for."""
    night = Set(TOGGLE)
    night.ask("arm", 0.1)
    (record,) = night.due(0.5)
    assert record.until == inf


def test_a_port_that_is_gone_refuses_and_what_was_due_meanwhile_makes_the_state_unknown() -> None:
    night = Set(bars=2)
    night.ask("arm", 0.1)
    night.due(3.0)
    assert night.loopers.lost_port("Pedals A", 3.0) == []
    assert "plug it in" in refusal(night.ask("fire", 3.1))
    assert night.due(5.0) == []
    assert night.state == "unknown"
    night.facts += night.loopers.opened_port("Pedals A", 6.0)
    assert bytes_of(night.due(6.0)) == [PLAY]
    assert night.state == "playing"


def test_a_port_that_comes_back_while_it_records_has_closed_it() -> None:
    night = Set()
    night.ask("arm", 0.1)
    night.due(3.0)
    night.loopers.lost_port("Pedals A", 3.0)
    night.loopers.opened_port("Pedals A", 3.5)
    assert (bytes_of(night.due(3.5)), night.state) == ([PLAY], "playing")


def test_what_went_out_right_before_the_port_was_lost_may_not_have_arrived() -> None:
    night = Set()
    night.ask("arm", 0.1)
    night.due(0.5)
    night.loopers.lost_port("Pedals A", 1.5)
    assert night.state == "unknown"


def test_armed_for_a_moment_at_which_the_port_is_gone_it_is_disarmed() -> None:
    night = Set(bars=1)
    night.ask("arm", 0.1)
    night.loopers.lost_port("Pedals A", 0.2)
    assert (night.due(0.9), night.state) == ([], "idle")
    night.loopers.opened_port("Pedals A", 1.0)
    assert night.due(9.0) == []


def test_all_quiet_stops_what_plays_and_records_and_disarms() -> None:
    for verbs, data in (([], [STOP]), (["overdub"], [OVERDUB, STOP]), (["stop"], [STOP]), (["clear"], [CLEAR])):
        night = Set()
        night.recorded()
        for verb in verbs:
            night.ask(verb, 3.0)
        night.facts += night.loopers.quiet(3.1)
        assert bytes_of(night.due(60.0)) == data
    night = Set()
    night.ask("arm", 0.1)
    night.loopers.quiet(0.2)
    assert (night.due(60.0), night.state) == ([], "idle")


def test_the_end_of_a_set_closes_what_is_open_and_lets_a_loop_play_on() -> None:
    night = Set()
    night.recorded()
    night.facts += night.loopers.end(3.0)
    assert night.due(60.0) == []
    night.ask("overdub", 61.0)
    night.facts += night.loopers.end(61.1)
    assert bytes_of(night.due(61.2)) == [OVERDUB, STOP]
    night = Set(stop=None)
    night.ask("looper is", 0.1, "unknown")
    night.facts += night.loopers.end(0.2)
    assert bytes_of(night.due(0.2)) == [PLAY]


def test_all_quiet_sends_no_toggle_and_says_what_is_left_to_do() -> None:
    night = Set(TOGGLE, bars=2)
    night.ask("arm", 0.1)
    night.due(1.0)
    assert "use its own switch" in refusal(night.loopers.quiet(1.0))
    assert night.due(1.1) == []
    assert bytes_of(night.due(60.0)) == [STEP]  # its own close, as it was asked for


def test_a_pedal_is_told_what_its_looper_does() -> None:
    night = Set(pedal="long echo", bars=1)
    night.recorded()
    night.ask("overdub", 3.0)
    night.ask("overdub", 3.5)
    night.ask("looper is", 4.0, "unknown")
    night.ask("stop", 4.1)
    night.ask("clear", 4.2)
    told = [(round(f.at, 6), f.pedal, f.loop) for f in night.facts if isinstance(f, LoopChanged)]
    assert told == [
        (0.5, "long echo", "recording"),
        (2.5, "long echo", "playing"),
        (3.0, "long echo", "recording"),
        (3.5, "long echo", "playing"),
        (4.1, "long echo", "stopped"),
    ]


def test_notes_left_sounding_end_with_the_next_edge_and_if_the_sender_vanishes() -> None:
    def note(number: int) -> LooperEdge:
        return LooperEdge(messages=(Wire("note", number, 100),))

    def on(number: int) -> bytes:
        return bytes((0x90, number, 100))

    def off(number: int) -> bytes:
        return bytes((0x80, number, 64))

    night = Set(Looper(name="loop box", listens_to="north", record=note(60), play=note(62)))
    night.recorded()
    record, _, close = night.sent
    assert (record.data, record.undo) == (on(60), off(60) + on(62) + off(62))
    assert (close.data, close.undo, close.settles) == (off(60) + on(62), off(62), record.undo)
    night.loopers.quiet(5.0)
    (released,) = night.due(5.0)
    assert (released.data, released.undo, released.settles) == (off(62), b"", off(62))
    night.loopers.quiet(6.0)
    assert night.due(6.0) == []


def test_osc_messages_go_out_one_by_one() -> None:
    def osc(*addresses: str) -> LooperEdge:
        return LooperEdge(messages=tuple(Wire("osc", address=address) for address in addresses))

    night = Set(Looper(name="loop box", listens_to="north", record=osc("/arm", "/record"), play=osc("/play")), bars=1)
    night.ask("arm", 0.1)
    assert [m.data[:7].rstrip(b"\0") for m in night.due(0.5)] == [b"/arm", b"/record"]
    assert [m.undo[:5] for m in night.sent] == [b"", b"/play"]
    with pytest.raises(ValueError, match="alone"):
        Set(
            Looper(
                name="loop box", listens_to="north", record=replace(osc("/a"), messages=(Wire("osc"), Wire("start")))
            )
        )


def test_a_loop_that_steadily_plays_comes_apart_from_a_tape_that_drifts() -> None:
    """Recorded at 120 bpm; then the tape runs 1 % fast: after a minute it is 1.2 beats ahead, which is a fifth."""
    night = Set(bars=1)
    night.recorded()
    tempo = TEMPO * 1.01
    for step in range(1, 4 * 60 + 1):
        at = 2.5 + step / 4
        night.stand(at, 5.0 + (at - 2.5) * tempo / 60, tempo=tempo)
        night.due(at)
    told = [fact for fact in night.facts if isinstance(fact, LoopMeasured)]
    assert 28 <= len(told) <= 30
    assert min(later.at - fact.at for fact, later in pairwise(told)) >= 2.0
    assert all(abs(f.apart - ((0.02 * (f.at - 2.5) + 0.5) % 1 - 0.5)) < 0.01 for f in told)
    assert told[-1].ms == pytest.approx(told[-1].apart * 500.0)
    (view,) = night.loopers.view(62.5)
    assert view.apart_beats == pytest.approx(0.2, abs=1e-6)
    assert view.apart_ms == pytest.approx(100.0, abs=1e-3)


def test_nothing_is_measured_against_a_beat_that_is_only_held_or_of_which_nobody_tells() -> None:
    night = Set(bars=1)
    night.recorded()
    night.stand(3.0, 6.0, "holding")
    night.due(20.0)
    night.stand(20.0, 40.0)
    night.due(20.9)
    before = len([f for f in night.facts if isinstance(f, LoopMeasured)])
    night.due(60.0)
    told = [fact for fact in night.facts if isinstance(fact, LoopMeasured)]
    assert (before, len(told)) == (1, 1)


def test_a_loop_that_is_started_again_off_the_beat_is_apart_from_its_tape_at_once() -> None:
    night = Set(bars=1)
    night.recorded()
    night.ask("stop", 4.0)
    assert night.loopers.view(4.0)[0].apart_beats is None
    night.stand(5.1, 10.2)
    night.ask("play", 5.1)
    assert night.loopers.view(5.1)[0].apart_beats == pytest.approx(0.2)
    night.ask("play", 5.2)  # it may begin again, or not
    assert night.loopers.view(5.2)[0].apart_beats is None


def test_the_screen_sees_when_it_starts_and_closes() -> None:
    night = Set(bars=1, latency_ms=30.0)
    night.ask("arm", 0.1)
    assert night.loopers.view(0.1) == (LooperView(name="loop box", state="armed", starts_in_s=pytest.approx(0.4)),)
    night.due(1.0)
    assert night.loopers.view(1.0) == (LooperView(name="loop box", state="recording", closes_in_s=pytest.approx(1.5)),)


def test_what_nobody_has_is_refused() -> None:
    night = Set(overdub=None, stop=None)
    night.recorded()
    assert "give it stop" in refusal(night.ask("stop", 3.0))
    assert "give it overdub" in refusal(night.ask("overdub", 3.0))
    with pytest.raises(ValueError, match="no looper can be asked"):
        night.ask("sing", 3.0)
    with pytest.raises(ValueError, match="no looper can be asked"):
        night.ask("looper is", 3.0, "armed")
    with pytest.raises(ValueError, match="known: loop box"):
        night.loopers.ask("arm", "stutter", 3.0)
    plan = LooperPlan(looper=ABSOLUTE, port="Pedals A")
    with pytest.raises(ValueError, match="two loopers"):
        Loopers((plan, plan), {"north": DeckBeats("north")})
    with pytest.raises(ValueError, match="listens to"):
        Loopers((plan,), {"south": DeckBeats("south")})


def test_without_a_message_that_closes_nothing_is_opened() -> None:
    night = Set(Looper(name="loop box", listens_to="north", record=edge(1)))
    assert "play or stop" in refusal(night.ask("arm", 0.1))


def test_a_toggle_that_is_all_it_has_closes_what_it_opened() -> None:
    night = Set(Looper(name="loop box", listens_to="north", record=_STEP), bars=1)
    night.ask("arm", 0.1)
    assert bytes_of(night.due(60.0)) == [STEP, STEP]
    assert night.state == "playing"


def test_all_quiet_and_the_end_leave_no_note_of_their_own_edges_sounding() -> None:
    """The stop that they send is a note, which ends as soon as it began."""
    looper = Looper(
        name="loop box",
        listens_to="north",
        record=edge(1),
        stop=LooperEdge(messages=(Wire("note", 63, 100),)),
    )
    on, off = bytes((0x90, 63, 100)), bytes((0x80, 63, 64))
    for wanted in (Loopers.quiet, Loopers.end):
        night = Set(looper)
        night.ask("arm", 0.1)
        night.due(1.0)
        wanted(night.loopers, 1.0)
        stop, release = night.due(1.1)
        assert (stop.data, stop.undo) == (on, off)
        assert (release.data, release.undo, release.settles) == (off, b"", off)


def test_all_quiet_says_which_loop_it_cannot_stop() -> None:
    night = Set(TOGGLE)
    night.recorded()
    assert "it stays playing" in refusal(night.loopers.quiet(3.0))
    assert night.loopers.end(3.1) == []


def test_a_loop_that_was_in_doubt_is_not_measured_any_more() -> None:
    night = Set()
    night.recorded()
    night.stand(3.0, 6.0)
    assert night.loopers.view(3.0)[0].apart_beats is not None
    night.ask("looper is", 3.0, "unknown")
    night.ask("looper is", 3.0, "playing")
    assert night.loopers.view(3.0)[0].apart_beats is None


def test_a_pedal_is_let_go_by_a_stop_that_leaves_its_looper_unknown() -> None:
    """Else its clock would stand still for the rest of the night."""
    night = Set(pedal="long echo", play=edge(2, kind="toggle"))
    night.recorded()
    night.ask("looper is", 3.0, "unknown")
    facts = night.ask("stop", 3.1)
    assert [fact.loop for fact in facts if isinstance(fact, LoopChanged)] == ["stopped"]
    assert night.state == "unknown"


def test_now_after_a_stall_is_the_end_of_the_stall() -> None:
    night = Set(starts_on=0)
    night.ask("arm", 0.1)
    (message,) = night.once(2.0)
    assert (message.at, message.until) == (2.0, pytest.approx(2.05))


def test_what_is_unknown_already_is_not_told_again() -> None:
    night = Set()
    night.ask("looper is", 0.1, "unknown")
    night.ask("stop", 0.2)
    night.due(0.2)
    night.ask("looper is", 0.3, "unknown")
    assert night.loopers.missed("Pedals A", STOP, 0.3) == night.loopers.lost_port("Pedals A", 0.4) == []


@pytest.mark.parametrize(
    ("looper", "said", "data", "state"),
    [
        (ABSOLUTE, "stopped", [STOP], "stopped"),
        (ABSOLUTE, "playing", [PLAY], "playing"),
        (ABSOLUTE, "idle", [CLEAR], "idle"),
        (replace(ABSOLUTE, stop=None), "stopped", [], "unknown"),
        (replace(ABSOLUTE, play=edge(2, kind="toggle")), "playing", [], "unknown"),
    ],
)
def test_what_is_said_while_its_port_is_gone_is_made_certain_when_that_is_back(
    looper: Looper, said: str, data: list[bytes], state: str
) -> None:
    """The port's process closes by itself what it thinks is open, and cannot be told otherwise meanwhile."""
    for recorded_until in (3.0, 0.6):
        night = Set(looper)
        night.ask("arm", 0.1)
        night.due(recorded_until)
        if recorded_until < 2:  # the message that closed it is lost
            night.ask("fire", 0.7)
            night.due(0.7)
        night.loopers.lost_port("Pedals A", recorded_until + 0.5)
        night.ask("looper is", 4.0, said)
        assert bytes_of(night.due(4.0)) == []
        night.loopers.opened_port("Pedals A", 5.0)
        messages = night.due(5.0)
        assert (bytes_of(messages), night.state) == (data, state)
        assert messages[-1].settles == (PLAY if looper.play == ABSOLUTE.play else STOP)


def test_a_toggle_that_may_be_lost_is_not_sent_again_but_what_is_open_is_closed() -> None:
    night = Set(play=edge(2, kind="toggle"), clear=None, overdub=None)
    night.recorded()
    night.loopers.lost_port("Pedals A", 3.0)
    night.loopers.opened_port("Pedals A", 3.5)
    assert bytes_of(night.due(3.5)) == [STOP]


def test_a_stop_that_may_be_lost_is_sent_again_when_the_port_is_back() -> None:
    night = Set()
    night.ask("arm", 0.1)
    night.due(0.6)
    night.ask("stop", 3.0)
    night.due(3.0)
    night.loopers.lost_port("Pedals A", 3.5)
    assert night.state == "unknown"
    night.loopers.opened_port("Pedals A", 4.0)
    assert (bytes_of(night.due(4.0)), night.state) == ([STOP], "stopped")
    night.loopers.lost_port("Pedals A", 9.0)
    night.loopers.opened_port("Pedals A", 9.5)
    assert night.due(60.0) == []


@pytest.mark.parametrize(("kind", "data", "state"), [("absolute", PLAY, "playing"), ("toggle", STOP, "stopped")])
@pytest.mark.parametrize(("now", "closed"), [(2.57, 2.57), (2.65, 2.6)])
def test_after_a_stall_in_which_the_tape_slowed_down_it_is_closed_as_its_port_has_closed_it(
    kind: EdgeKind, data: bytes, state: str, now: float, closed: float
) -> None:
    """Or is about to, which nobody can stop any more."""
    night = Set(bars=1, play=edge(2, kind=kind))
    night.ask("arm", 0.1)
    night.due(0.5)
    night.stand(now, 4.9, tempo=60.0)  # its bar would end 0.1 s later, but its port has heard nothing of that
    (close,) = night.once(now)
    assert (close.at, close.data, close.settles, night.state) == (now, data, data, state)
    assert changes(night.facts)[-1][0] == pytest.approx(closed)


def test_what_was_not_yet_sent_when_the_port_went_is_never_sent() -> None:
    night = Set()
    night.recorded()
    night.ask("overdub", 3.0)
    night.loopers.lost_port("Pedals A", 3.0)
    assert night.due(3.0) == []
    assert night.state == "unknown"


def test_an_overdub_begun_in_doubt_is_closed_if_the_sender_vanishes() -> None:
    night = Set(play=edge(2, kind="toggle"))
    night.ask("looper is", 0.1, "unknown")
    night.ask("overdub", 0.2)
    (message,) = night.due(0.2)
    assert (message.data, message.undo, night.state) == (OVERDUB, STOP, "unknown")


def test_several_osc_messages_cannot_be_left_with_a_port() -> None:
    play = LooperEdge(messages=(Wire("osc", address="/a"), Wire("osc", address="/b")))
    night = Set(Looper(name="loop box", listens_to="north", record=edge(1), play=play), bars=1)
    night.ask("arm", 0.1)
    (record,) = night.due(0.5)
    assert (record.undo, record.undo_at) == (b"", inf)


def test_a_toggle_ends_what_it_began() -> None:
    night = Set(TOGGLE, play=None)
    night.ask("arm", 0.1)
    night.due(0.5)
    for verb, state in (("play", "playing"), ("overdub", "overdubbing"), ("overdub", "playing")):
        night.ask(verb, 1.0)
        assert (bytes_of(night.due(1.0)), night.state) == ([STEP], state)


def test_a_loop_of_any_length_is_together_with_its_tape_when_it_is_closed() -> None:
    night = Set(starts_on=0)
    night.ask("arm", 0.1)
    night.due(0.1)
    night.stand(1.0, 2.0)
    night.ask("arm", 1.23)
    night.due(1.23)
    assert night.loopers.view(1.23)[0].apart_beats == pytest.approx(0.0)
    night.stand(1.5, 3.0, "holding")
    assert night.loopers.view(1.5)[0].apart_beats is None


def test_a_loop_too_short_to_have_a_beat_is_not_measured() -> None:
    night = Set(starts_on=0)
    night.ask("arm", 0.1)
    night.due(0.1)
    night.ask("arm", 0.1)
    night.due(0.5)
    assert night.state == "playing"
    assert night.loopers.view(0.5)[0].apart_beats is None


def test_a_now_that_runs_backwards_counts_as_the_latest_seen() -> None:
    night = Set(starts_on=0)
    night.due(5.0)
    night.loopers.next_due(5.0)
    (told,) = night.ask("arm", 4.0)
    assert told.at == 5.0
