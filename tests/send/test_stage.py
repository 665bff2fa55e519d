"""The stage: every action, and what is shown of loopers, cues, bars and meeting points."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.actions import VERBS, Action, action_of
from bridge.events import MarkPlaced
from bridge.events_foot import ActionRefused, AllQuieted, BarCounted, CueFired, DeckStands, LooperChanged
from bridge.events_hand import (
    BeatRecounted,
    BeatShifted,
    BeatTapped,
    HandsOff,
    HandsOn,
    PedalTurned,
    StepAllowed,
    TapeChosen,
    TempoKept,
    TempoLetGo,
    TempoNudged,
)
from bridge.rig import Deck
from bridge.rig_foot import Cue, CueTrigger, Lamp, Looper, LooperEdge, Tape, Wire
from bridge.send.plan import StagePlan
from bridge.send.stage import Stage

LOOPER = Looper(
    name="loop box",
    port="Pedals A",
    channel=3,
    listens_to="north",
    starts_on=-1,
    bars=1,
    record=LooperEdge(messages=(Wire("cc", 80, 127),)),
    play=LooperEdge(messages=(Wire("cc", 81, 127),)),
    stop=LooperEdge(messages=(Wire("cc", 83, 127),)),
)
CUE = Cue(
    name="horns",
    trigger=CueTrigger(when="starts", deck="south"),
    does=(action_of("mark: horns"), action_of("arm: loop box")),
    messages=(Wire("program", 5),),
    port="Pedals A",
)
LAMP = Lamp(shows="kept", of="north", port="Lights", on=(Wire("cc", 1, 127),), off=(Wire("cc", 1, 0),))
PLAN = StagePlan(
    decks=(
        Deck(name="north", channels=(1,), tapes=(Tape(name="gravel path", tempo=84.0), Tape(name="fog signal"))),
        Deck(name="south", channels=(2,)),
    ),
    loopers=(LOOPER,),
    cues=(CUE,),
    lamps=(LAMP,),
)
WALL = 1.7e9


def stands(at: float, deck: str = "north", **more: object) -> DeckStands:
    """A deck at 60 bpm whose beats fall on whole seconds."""
    usual = DeckStands(at=at, deck=deck, state="following", runs=True, tempo=60.0, beats=at)
    return replace(usual, **more)


def stage_with_beat() -> Stage:
    stage = Stage(PLAN, 0.0)
    stage.hear(stands(0.5), True, 0.5)
    return stage


def do(stage: Stage, text: str, at: float = 1.0) -> list[object]:
    return stage.do(action_of(text), at, at, WALL)


@pytest.mark.parametrize(
    ("text", "fact"),
    [
        ("tap: north", BeatTapped(at=1.0, deck="north")),
        ("keep: north", TempoKept(at=1.0, deck="north")),
        ("let go: north", TempoLetGo(at=1.0, deck="north")),
        ("twice: north", BeatRecounted(at=1.0, deck="north", factor=2.0)),
        ("off-beat: north", BeatShifted(at=1.0, deck="north")),
        ("faster: north", TempoNudged(at=1.0, deck="north", percent=0.5)),
        ("slower: north", TempoNudged(at=1.0, deck="north", percent=-0.5)),
        ("this is one: north", BarCounted(at=1.0, deck="north")),
        ("next tape: north", TapeChosen(at=1.0, deck="north", tape="gravel path", tempo=84.0)),
        ("hands off: long echo", HandsOff(at=1.0, pedal="long echo")),
        ("hands on: long echo", HandsOn(at=1.0, pedal="long echo")),
        ("go: long echo", StepAllowed(at=1.0, pedal="long echo")),
        ("listens to: long echo, south", PedalTurned(at=1.0, pedal="long echo", deck="south")),
        ("mark: rain", MarkPlaced(at=1.0, wall=WALL, text="rain")),
        ("all quiet", AllQuieted(at=1.0)),
    ],
)
def test_an_action_about_decks_and_pedals_comes_to_a_fact(text: str, fact: object) -> None:
    assert do(stage_with_beat(), text) == [fact]


def test_every_verb_is_done_or_refused_in_words() -> None:
    names = {"deck": "north", "pedal": "long echo", "looper": "loop box", "cue": "horns", "text": "x"}
    names["loop state"] = "playing"
    for verb, known in VERBS.items():
        done = stage_with_beat().do(Action(verb, tuple(names[kind] for kind in known.of)), 1.0, 1.0, WALL)
        assert all(not isinstance(fact, ActionRefused) or fact.why for fact in done)


def test_tapes_come_in_the_order_of_the_rig_and_from_the_first_again() -> None:
    stage = stage_with_beat()
    chosen = [do(stage, "next tape: north")[0] for _ in range(3)]
    assert [(fact.tape, fact.tempo) for fact in chosen] == [
        ("gravel path", 84.0),
        ("fog signal", None),
        ("gravel path", 84.0),
    ]
    assert "lists no tapes" in do(stage, "next tape: south")[0].why


def test_a_beat_that_is_not_there_or_would_leave_the_range_is_not_recounted() -> None:
    """Told as refused alone, and not as done, too."""
    assert "no beat yet" in do(Stage(PLAN, 0.0), "twice: north")[0].why
    [refused] = do(stage_with_beat(), "half: south")
    assert isinstance(refused, ActionRefused)
    stage = stage_with_beat()
    stage.hear(stands(0.75, tempo=100.0, beats=1.25), False, 0.75)
    [refused] = do(stage, "twice: north")
    assert "200 bpm is outside the deck's tempo_range, 40..160" in refused.why


@pytest.mark.parametrize("verb", ["keep", "faster", "slower"])
def test_a_tempo_that_is_not_there_is_not_kept(verb: str) -> None:
    """Refused until there is a beat, or a pedal that has a tempo without one; kept from then on."""
    stage = Stage(PLAN, 0.0)
    [refused] = do(stage, f"{verb}: north")
    assert isinstance(refused, ActionRefused)
    assert refused.why == "there is no tempo to hold: the deck had no beat yet. Wait for one, or tap it"
    assert not any(message.data == b"\xb0\x01\x7f" for message in stage.due(1.0, lambda: WALL).messages)
    do(stage, "listens to: long echo, south")
    stage.hear(stands(1.5), True, 1.5)
    done = [*do(stage, f"{verb}: north", 2.0), *do(stage, f"{verb}: south", 2.0)]
    done += do(Stage(replace(PLAN, begun=("north",)), 0.0), f"{verb}: north")
    assert [type(fact) for fact in done] == [TempoKept if verb == "keep" else TempoNudged] * 3


def test_without_a_beat_there_is_no_one() -> None:
    assert "no beat yet" in do(Stage(PLAN, 0.0), "this is one: north")[0].why


def test_a_cue_does_its_actions_when_its_moment_comes() -> None:
    stage = stage_with_beat()
    do(stage, "this is one: north")
    stage.hear(stands(1.0, "south", runs=False, state="idle", tempo=None, beats=None), True, 1.0)
    stage.hear(stands(2.0, "south", runs=True, state="listening", tempo=None, beats=None), False, 2.0)
    due = stage.due(2.0, lambda: WALL)
    kinds = [type(fact) for fact in due.facts]
    assert kinds == [CueFired, MarkPlaced, LooperChanged]
    assert [(m.port, m.data) for m in due.messages] == [("Pedals A", b"\xc0\x05"), ("Lights", b"\xb0\x01\x00")]
    assert stage.loopers.armed("loop box")


def test_a_kept_tempo_lights_its_lamp_until_it_is_let_go() -> None:
    stage = stage_with_beat()
    stage.due(1.0, lambda: WALL)
    lit = []
    for at, text in ((2.0, "faster: north"), (3.0, "let go: north"), (4.0, "keep: north")):
        do(stage, text, at)
        lit += [m.data for m in stage.due(at, lambda: WALL).messages]
    lit += [m.data for m in (stage.end(5.0), stage.due(5.0, lambda: WALL))[1].messages]
    on, off = b"\xb0\x01\x7f", b"\xb0\x01\x00"
    assert lit == [on, off, on, off]


def test_a_deck_of_which_nobody_tells_is_not_heard_and_goes_on() -> None:
    """A looper that gives up if the beat is lost does so when the listener is gone."""
    stage = stage_with_beat()
    do(stage, "this is one: north", 0.9)
    do(stage, "arm: loop box", 1.5)
    stage.due(1.6, lambda: WALL)
    assert stage.next_due(1.6) == pytest.approx(5.0)
    stage.tend(4.0)
    facts = stage.due(5.0, lambda: WALL).facts
    assert [(fact.was, fact.now, fact.why) for fact in facts] == [("armed", "idle", "the beat was lost")]


def test_what_is_shown_says_how_loopers_cues_bars_and_meeting_points_stand() -> None:
    """The cue arms the looper as the south deck starts; the loop plays from the ninth second on."""
    stage = stage_with_beat()
    do(stage, "this is one: north", 0.9)
    assert stage.lines(1.0) == ("next cue horns: south starts", "north: bar 1, beat 1")
    for at in range(7, 40):
        stage.hear(stands(at / 4), False, at / 4)
        stage.hear(stands(at / 4, "south", tempo=80.0, beats=at / 3), at == 7, at / 4)
        stage.tend(at / 4)
        stage.due(at / 4, lambda: WALL)
    shown = stage.lines(9.75)
    assert shown[0].startswith("loop box: playing, tape 0.0")
    assert shown[1] == "north: bar 3, beat 1"
    assert any(line.startswith("north and south meet in ") and ", 3:4" in line for line in shown)
    assert any(line.startswith("south and loop of loop box meet in ") for line in shown)
