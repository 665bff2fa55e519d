"""Cues: each moment by example, and the promise that a killed listener makes none fire twice nor be lost."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.actions import Action
from bridge.events import FollowerState
from bridge.events_foot import ActionRefused, CueFired, DeckStands
from bridge.rig_foot import Cue, CueTrigger, CueWhen, Wire
from bridge.send.beats import DeckBeats
from bridge.send.cue_waits import RUNS_S
from bridge.send.cues import CuePlan, Cues, CueView
from bridge.send.messages import control_change, note_off, note_on, osc_message
from bridge.send.schedule import Message

BEGAN = 1000.0
TEMPO = 120.0
WORD_S = 0.25
NOTE = (Wire("note", 36, 100),)


def cue(when: CueWhen, *, name: str = "rain", again: bool = False, **trigger: Any) -> Cue:
    """A cue about north that arms the loop box."""
    deck = None if when in ("time", "by hand") else "north"
    moment = CueTrigger(when=when, deck=deck, **trigger)
    return Cue(name=name, trigger=moment, does=(Action("arm", ("loop box",)),), again=again)


class Set:
    """Cues about north, whose beat 0 falls on ``BEGAN`` at 120 bpm once a word said so."""

    def __init__(self, *cues: Cue, port: str = "Pedals A") -> None:
        self.deck = DeckBeats("north")
        self.cues = Cues(tuple(CuePlan(cue=cue, port=port) for cue in cues), {"north": self.deck}, BEGAN)
        self.fired: list[CueFired] = []
        self.refused: list[ActionRefused] = []
        self.messages: list[Message] = []
        self.actions: list[Action] = []

    def word(self, at: float, state: FollowerState = "following", *, runs: bool = True, tempo: float | None = TEMPO,
             fresh: bool = False) -> None:  # fmt: skip
        beats = None if tempo is None else (at - BEGAN) * TEMPO / 60
        self.stand(DeckStands(at=at, deck="north", state=state, runs=runs, tempo=tempo, beats=beats), fresh, at)

    def stand(self, stands: DeckStands, fresh: bool, now: float) -> None:
        self.due(now)
        self.cues.hear(stands, fresh, now)
        self.deck.take(DeckStands(
            at=stands.at, deck="north", state=stands.state, runs=self.cues.runs("north"), tempo=stands.tempo,
            beats=stands.beats,
        ))  # fmt: skip
        self.due(now)

    def due(self, until: float) -> list[str]:
        """Do all that is due by then, each at its time, or at once if that is over; return the names of what fired."""
        names = []
        while (at := self.cues.next_due(-inf)) <= until:
            fired = self.cues.due(at)
            assert fired != ((), (), ()), "it was said to be due"
            self.messages += fired.messages
            self.actions += fired.actions
            for fact in fired.facts:
                if isinstance(fact, CueFired):
                    self.fired.append(fact)
                    names.append(fact.cue)
                else:
                    assert isinstance(fact, ActionRefused)
                    self.refused.append(fact)
        assert self.cues.due(until) == ((), (), ())
        return names

    @property
    def times(self) -> list[float]:
        return [fact.at - BEGAN for fact in self.fired]


def test_a_time_in_the_take_fires_then_and_once() -> None:
    played = Set(cue("time", seconds=90.0, again=True))
    assert played.due(BEGAN + 89.999) == []
    assert played.due(BEGAN + 500) == ["rain"]
    assert played.times == [90.0]
    assert played.actions == [Action("arm", ("loop box",))]
    assert played.fired[0].why == "at 1:30"


def test_a_time_that_is_over_when_somebody_looks_fires_late_and_says_when() -> None:
    played = Set(cue("time", seconds=90.0))
    fired = played.cues.due(BEGAN + 95.0)
    assert fired.facts == (CueFired(at=BEGAN + 95.0, cue="rain", why="at 1:30"),)


def test_bars_after_a_mark_count_from_the_first_bar_line_at_or_after_it() -> None:
    """At 120 bpm with bar one on beat 0 bar lines fall on every second second."""
    for mark_s, at_s in ((2.0, 10.0), (2.1, 12.0), (3.9, 12.0), (4.0, 12.0)):
        played = Set(cue("bars after mark", bars=4, mark="chorus"))
        played.word(BEGAN)
        played.deck.count_one(BEGAN)
        played.cues.marked("verse", BEGAN + 1.0)
        played.cues.marked("chorus, loud", BEGAN + mark_s)
        played.due(BEGAN + 60)
        assert played.times == [pytest.approx(at_s)]
        assert played.fired[0].why == "4 bars after chorus on north"


def test_bars_move_with_the_tape() -> None:
    played = Set(cue("bars after mark", bars=2, mark="chorus"))
    played.word(BEGAN)
    played.deck.count_one(BEGAN)
    played.cues.marked("chorus", BEGAN)
    stands = DeckStands(at=BEGAN + 1, deck="north", state="following", runs=True, tempo=60.0, beats=2.0)
    played.stand(stands, False, BEGAN + 1)
    played.due(BEGAN + 60)
    assert played.times == [pytest.approx(7.0)]  # beat 2 at 1 s, then six of a second each


def test_unknown_bars_are_waited_for_and_that_is_said() -> None:
    played = Set(cue("bars after mark", bars=1, mark="chorus"))
    played.cues.marked("chorus", BEGAN)
    assert played.cues.view(BEGAN) == (
        CueView(name="rain", waits_for="1 bar after chorus on north; north has no beat yet"),
    )
    played.word(BEGAN + 1)
    lacks = '1 bar after chorus on north; bar one is unknown, press "this is one" on north'
    assert [view.waits_for for view in played.cues.view(BEGAN + 1)] == [lacks]
    played.deck.count_one(BEGAN + 1)
    assert [view.in_s for view in played.cues.view(BEGAN + 1)] == [pytest.approx(2.0)]
    played.due(BEGAN + 20)
    assert played.times == [pytest.approx(3.0)]  # bar lines at 1, 3, 5: the mark lies before the one at 1


def test_a_bar_that_had_passed_before_anybody_knew_is_made_up_for_on_the_next_line() -> None:
    played = Set(cue("bars after mark", bars=1, mark="chorus"))
    played.word(BEGAN)
    played.cues.marked("chorus", BEGAN)
    played.due(BEGAN + 30.2)
    played.deck.count_one(BEGAN + 30)
    played.due(BEGAN + 60)
    assert played.times == [pytest.approx(32.0)]


def test_again_fires_for_each_mark_and_never_twice_on_one_bar_line() -> None:
    played = Set(cue("bars after mark", bars=1, mark="chorus", again=True))
    played.word(BEGAN)
    played.deck.count_one(BEGAN)
    for at_s in (0.5, 1.0, 4.5):
        played.cues.marked("chorus", BEGAN + at_s)
    played.due(BEGAN + 60)
    assert played.times == pytest.approx([4.0, 6.0, 8.0])


def test_a_cue_that_marks_itself_goes_on_by_whole_bars() -> None:
    """Else it would fire without end on the very bar line."""
    played = Set(cue("bars after mark", bars=0, mark="chorus", again=True))
    played.word(BEGAN)
    played.deck.count_one(BEGAN)
    played.cues.marked("chorus", BEGAN)
    for _ in range(4):
        at = played.cues.next_due(BEGAN)
        assert played.due(at) == ["rain"]
        played.cues.marked("chorus", at)
    assert played.times == pytest.approx([0.0, 2.0, 4.0, 6.0])


def test_a_deck_starts_and_stops() -> None:
    played = Set(cue("starts", name="in", again=True), cue("stops", name="out", again=True))
    for at_s, runs in ((0, False), (1, True), (2, True), (3, False), (4, False), (5, True)):
        played.word(BEGAN + at_s, runs=runs)
    assert [(fact.cue, fact.at - BEGAN) for fact in played.fired] == [("in", 1.0), ("out", 3.0), ("in", 5.0)]
    assert played.fired[1].why == "north stops"


def test_a_beat_returns() -> None:
    states: list[FollowerState] = ["idle", "listening", "following", "following", "holding", "following", "following"]
    played = Set(cue("beat returns", again=True))
    for at_s, state in enumerate(states):
        played.word(BEGAN + at_s, state)
    assert played.times == [2.0, 5.0]


@pytest.mark.parametrize(
    ("when", "tempos", "fires"),
    [
        ("above", [88, 91, 89.5, 91, 89.0, 91], [1, 5]),
        ("above", [91, 92, 95], []),
        ("above", [90, 90.1], [1]),
        ("below", [92, 89, 90.5, 89, 91.0, 89], [1, 5]),
        ("below", [60, 50], []),
    ],
)
def test_a_tempo_crosses_a_value_and_has_to_come_back_by_a_hundredth(
    when: CueWhen, tempos: list[float], fires: list[float]
) -> None:
    played = Set(cue(when, tempo=90.0, again=True))
    for at_s, tempo in enumerate(tempos):
        played.word(BEGAN + at_s, tempo=tempo)
    assert played.times == fires


def test_a_tempo_that_is_only_held_crosses_nothing() -> None:
    played = Set(cue("above", tempo=90.0))
    played.word(BEGAN, tempo=80)
    played.word(BEGAN + 1, "holding", tempo=95)
    assert played.times == []
    played.word(BEGAN + 2, tempo=95)
    assert played.times == [2.0]


def test_by_hand_counts_as_the_one_time_that_a_cue_fires() -> None:
    played = Set(cue("time", seconds=5.0))
    played.cues.fire("rain", BEGAN + 1)
    played.cues.fire("rain", BEGAN + 1)
    played.due(BEGAN + 60)
    assert [(fact.at - BEGAN, fact.why) for fact in played.fired] == [(1.0, "by hand")]
    assert "again = true" in played.refused[0].why
    assert played.cues.view(BEGAN + 60) == ()


def test_strangers_are_refused() -> None:
    with pytest.raises(ValueError, match="two cues"):
        Set(cue("by hand"), cue("by hand"))
    with pytest.raises(ValueError, match="'north'; known: south"):
        Cues((CuePlan(cue=cue("starts"), port=""),), {"south": DeckBeats("south")}, BEGAN)
    with pytest.raises(ValueError, match="no cue called 'snow'; known: rain"):
        Set(cue("by hand")).cues.fire("snow", BEGAN)
    with pytest.raises(ValueError, match="OSC"):
        CuePlan(cue=Cue(name="x", trigger=CueTrigger(when="by hand"), messages=(*NOTE, Wire("osc", address="/a"))),
                port="Pedals A")  # fmt: skip


def test_notes_that_its_messages_leave_sounding_are_undone_and_quieted() -> None:
    played = Set(Cue(name="hum", trigger=CueTrigger(when="by hand"), messages=NOTE, port="x", channel=3, again=True))
    on, off = note_on(3, 36, 100), note_off(3, 36)
    played.cues.fire("hum", BEGAN)
    played.due(BEGAN)
    played.cues.fire("hum", BEGAN + 1)
    played.due(BEGAN + 1)
    played.cues.quiet(BEGAN + 2)
    played.cues.quiet(BEGAN + 2)
    played.due(BEGAN + 2)
    played.cues.quiet(BEGAN + 3)
    played.due(BEGAN + 3)
    assert played.messages == [
        Message("Pedals A", BEGAN, on, undo=off),
        Message("Pedals A", BEGAN + 1, off + on, undo=off, settles=off),
        Message("Pedals A", BEGAN + 2, off, settles=off),
    ]


def test_a_bar_that_is_said_to_have_begun_already_is_made_up_for_on_the_next_one() -> None:
    """Bars were counted from elsewhere until then; at once would be beside the bar."""
    played = Set(cue("bars after mark", bars=1, mark="chorus"))
    played.word(BEGAN)
    played.deck.count_one(BEGAN)
    played.cues.marked("chorus", BEGAN + 2.5)
    assert played.due(BEGAN + 5.2) == []
    played.deck.count_one(BEGAN + 5.2)  # the tenth beat, 0.2 s ago
    assert played.due(BEGAN + 9.0) == ["rain"]
    assert played.times == [pytest.approx(7.0)]


def test_all_quiet_ends_the_note_of_a_cue_that_was_asked_for_just_before_it() -> None:
    """After a stall both are heard at once; a cue that comes after it sounds."""
    moments = (CueTrigger(when="by hand"), CueTrigger(when="time", seconds=1.0))
    on, off = note_on(1, 36, 100), note_off(1, 36)
    for trigger in moments:
        played = Set(Cue(name="hum", trigger=trigger, messages=NOTE, port="x", again=True))
        if trigger.when == "by hand":
            played.cues.fire("hum", BEGAN + 1.5)
        played.cues.quiet(BEGAN + 1.5)
        played.due(BEGAN + 1.5)
        assert [(m.data, m.settles) for m in played.messages] == [(on, b""), (off, off)]
        played.cues.fire("hum", BEGAN + 2)
        played.due(BEGAN + 2)
        assert [m.data for m in played.messages] == [on, off, on]
        assert len(played.fired) == 2


def test_messages_go_out_as_one_group_or_as_osc_each() -> None:
    wires = (Wire("cc", 80, 1), Wire("cc", 81, 2))
    played = Set(Cue(name="a", trigger=CueTrigger(when="by hand"), messages=wires))
    played.cues.fire("a", BEGAN)
    played.due(BEGAN)
    assert [m.data for m in played.messages] == [control_change(1, 80, 1) + control_change(1, 81, 2)]
    wires = (Wire("osc", address="/a"), Wire("osc", address="/b", arguments=(1,)))
    played = Set(Cue(name="a", trigger=CueTrigger(when="by hand"), messages=wires), port="osc://127.0.0.1:9")
    played.cues.fire("a", BEGAN)
    played.due(BEGAN)
    assert [m.data for m in played.messages] == [osc_message("/a"), osc_message("/b", 1)]


def test_the_next_three_are_shown_those_by_hand_last() -> None:
    played = Set(
        cue("by hand", name="encore"), cue("starts", name="in"), cue("time", name="late", seconds=20.0),
        cue("time", name="early", seconds=10.0),
    )  # fmt: skip
    assert played.cues.view(BEGAN + 4) == (
        CueView(name="early", waits_for="at 0:10", in_s=6.0),
        CueView(name="late", waits_for="at 0:20", in_s=16.0),
        CueView(name="in", waits_for="north starts"),
    )
    played.due(BEGAN + 15)
    played.word(BEGAN + 15)
    assert [view.name for view in played.cues.view(BEGAN + 15)] == ["late", "encore"]


# A listener that is killed


@dataclass(frozen=True)
class Truth:
    """What the tape does: a word about it for any second of the take."""

    cue: Cue
    at: Callable[[float], tuple[bool, FollowerState, float]]
    fires: float


def _steady(at_s: float) -> tuple[bool, FollowerState, float]:
    return True, "following", TEMPO


TRUTHS = {
    "time": Truth(cue("time", seconds=30.0), _steady, 30.0),
    "bars": Truth(cue("bars after mark", bars=4, mark="chorus"), _steady, 30.0),
    "starts": Truth(cue("starts", again=True), lambda s: (s >= 30, "following" if s >= 33 else "idle", TEMPO), 30.0),
    "stops": Truth(cue("stops", again=True), lambda s: (s < 30, "following" if s < 30 else "idle", TEMPO), 30.0),
    "returns": Truth(
        cue("beat returns"), lambda s: (True, "following" if s >= 30 else "listening", TEMPO), 30.0
    ),
    "again": Truth(
        cue("beat returns", again=True), lambda s: (True, "following" if s >= 30 else "listening", TEMPO), 30.0
    ),
    "above": Truth(cue("above", tempo=121.0, again=True), lambda s: (True, "following", 120 if s < 30 else 122), 30.0),
    "below": Truth(cue("below", tempo=119.0, again=True), lambda s: (True, "following", 120 if s < 30 else 118), 30.0),
}  # fmt: skip

GAPS_S = (0.5, 1.0, 2.0, 3.0)
LASTS = ("kept", "lost", "repeated")
HEARS_S = 0.8
FINDS_S = 6.0


class Killed:
    """A set whose listener is killed once, and whose next one first hears nothing and finds its beat later."""

    def __init__(self, truth: Truth, killed_s: float, gap_s: float, last: str) -> None:
        self.truth, self.killed_s, self.back_s, self.last = truth, killed_s, killed_s + gap_s, last
        self.set = Set(truth.cue)

    def play(self) -> list[float]:
        words = [index * WORD_S for index in range(int(50 / WORD_S))]
        before = [at_s for at_s in words if at_s <= self.killed_s]
        after = [self.back_s + at_s for at_s in words if self.back_s + at_s < 50]
        if self.last == "lost":
            before.pop()
        for at_s in before:
            self._word(at_s, *self.truth.at(at_s))
        if self.last == "repeated":
            self._word(before[-1], *self.truth.at(before[-1]))
        for at_s in after:
            self._word(at_s, *self._new(at_s), fresh=at_s == after[0])
        self.set.due(BEGAN + 60)
        return self.set.times

    def _new(self, at_s: float) -> tuple[bool, FollowerState, float]:
        """What the new listener says: it hears the tape soon, and finds the beat later."""
        runs, state, tempo = self.truth.at(at_s)
        age_s = at_s - self.back_s
        if age_s < HEARS_S or not runs:
            return False, "idle", tempo
        return True, "listening" if age_s < FINDS_S else state, tempo

    def _word(self, at_s: float, runs: bool, state: FollowerState, tempo: float, fresh: bool = False) -> None:
        at = BEGAN + at_s
        heard = state == "following"
        beats = (at - BEGAN) * TEMPO / 60 if heard else None
        stands = DeckStands(
            at=at, deck="north", state=state, runs=runs, tempo=tempo if heard else None, beats=beats
        )  # fmt: skip
        self.set.stand(stands, fresh, at)
        if at_s == 24 * WORD_S:
            self.set.deck.count_one(at)
            self.set.cues.marked("chorus", BEGAN + 21.5)


@pytest.mark.parametrize("kind", TRUTHS)
def test_a_listener_killed_at_a_hundred_instants_around_a_cue_makes_it_fire_once(kind: str) -> None:
    """With each length of the gap, and its last word kept, lost and repeated, in turns."""
    truth = TRUTHS[kind]
    longest_s = 3.0 + max(FINDS_S, HEARS_S + RUNS_S) + WORD_S
    for number in range(100):
        killed_s = truth.fires - 12.5 + 0.15 * number
        times = Killed(truth, killed_s, GAPS_S[number % len(GAPS_S)], LASTS[number % len(LASTS)]).play()
        assert len(times) == 1, (killed_s, times)
        if kind in ("time", "bars"):
            assert times == [pytest.approx(truth.fires)], killed_s
        else:
            assert truth.fires <= times[0] <= truth.fires + longest_s, killed_s


def test_a_listener_killed_while_all_stays_as_it_is_fires_nothing() -> None:
    """A deck that runs and is followed all the time neither stops, starts nor finds its beat again."""
    for when, first in (("starts", 1), ("stops", 0), ("beat returns", 1), ("above", 0), ("below", 0)):
        steady = Truth(cue(when, tempo=TEMPO, again=True), _steady, 0.0)  # type: ignore[arg-type]
        for gap_s in GAPS_S:
            times = Killed(steady, 30.1, gap_s, "kept").play()
            assert times == [0.0] * first, when


def test_a_beat_that_does_not_come_back_after_a_restart_is_lost_in_the_end() -> None:
    played = Set(cue("beat returns", again=True))
    played.word(BEGAN)
    for quarter in range(100):
        played.word(BEGAN + 10 + quarter * WORD_S, "listening", tempo=None, fresh=quarter == 0)
    played.word(BEGAN + 40)
    assert played.times == [0.0, 40.0]


def test_an_old_word_that_comes_late_changes_nothing() -> None:
    played = Set(cue("stops"))
    played.word(BEGAN + 1)
    stands = DeckStands(at=BEGAN, deck="north", state="idle", runs=False)
    played.stand(stands, False, BEGAN + 1)
    assert played.times == []
    stands = DeckStands(at=BEGAN + 2, deck="south", state="idle", runs=False)
    played.cues.hear(stands, False, BEGAN + 2)
    assert played.due(BEGAN + 3) == []


WORDS = st.lists(
    st.tuples(
        st.floats(0.01, 5.0), st.booleans(), st.sampled_from(["idle", "listening", "following", "holding"]),
        st.floats(60, 120), st.booleans(),
    ),
    max_size=40,
)  # fmt: skip


@given(words=WORDS, again=st.booleans())
def test_starts_and_stops_take_turns_and_a_cue_without_again_fires_once(words: list[Any], again: bool) -> None:
    kinds: tuple[CueWhen, ...] = ("starts", "stops", "beat returns", "above", "below")
    played = Set(*(cue(kind, name=kind, tempo=90.0, again=again) for kind in kinds))
    at = BEGAN
    for step, runs, state, tempo, fresh in words:
        at += step
        played.word(at, state, runs=runs, tempo=tempo, fresh=fresh)
    names = [fact.cue for fact in played.fired]
    turns = [name for name in names if name in ("starts", "stops")]
    if again:
        assert all(one != other for one, other in pairwise(turns))
        assert turns[:1] in ([], ["starts"])
    else:
        assert len(names) == len(set(names))
    assert len(played.actions) == len(names)


@given(marks=st.lists(st.floats(0, 60), max_size=12), bars=st.integers(0, 8), tempo=st.floats(40, 200))
def test_bars_after_marks_fall_on_bar_lines_each_at_most_once(marks: list[float], bars: int, tempo: float) -> None:
    played = Set(cue("bars after mark", bars=bars, mark="chorus", again=True))
    played.stand(DeckStands(at=BEGAN, deck="north", state="following", runs=True, tempo=tempo, beats=0.0), True, BEGAN)
    played.deck.count_one(BEGAN)
    for mark in sorted(marks):
        played.due(BEGAN + mark)
        played.cues.marked("chorus", BEGAN + mark)
    played.due(BEGAN + 600)
    beats = [at_s * tempo / 60 for at_s in played.times]
    assert all(abs(beat / 4 - round(beat / 4)) < 1e-3 for beat in beats)
    assert all(after - before > 3.9 for before, after in pairwise(beats))
    if marks:
        first = min(marks) * tempo / 60
        assert first + 4 * bars - 1e-3 <= beats[0] <= first + 4 * (bars + 1) + 1e-3
