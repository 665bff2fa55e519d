"""What hands, feet and cues did is told in words, with numbers and names."""

from __future__ import annotations

from bridge.events_foot import AllQuieted, BarCounted, CueFired
from bridge.events_hand import (
    BeatRecounted,
    BeatTapped,
    HandsOff,
    HandsOn,
    PedalTurned,
    RatioFolded,
    StepAllowed,
    TapeChosen,
    TempoKept,
    TempoLetGo,
    TempoNudged,
    TempoTold,
)
from bridge.events_sent import DelayTimeTold, TapsSent
from bridge.review.hands import counts_of, cues_of, deeds_of


def test_every_deed_is_told_in_order_and_in_words():
    facts = [
        HandsOff(at=11, pedal="long echo"),
        HandsOn(at=12, pedal="long echo"),
        TempoKept(at=13, deck="north"),
        TempoLetGo(at=14, deck="north"),
        StepAllowed(at=15, pedal="long echo"),
        RatioFolded(at=16, pedal="short echo", asked=2.0, ratio=1.0, why="its delay would be 15 ms, it makes 20"),
    ]
    deeds = deeds_of(facts, 10.0)
    assert [(deed.seconds, deed.whose) for deed in deeds] == [
        (1, "long echo"), (2, "long echo"), (3, "north"), (4, "north"), (5, "long echo"), (6, "short echo"),
    ]  # fmt: skip
    assert "hands off" in deeds[0].what
    assert deeds[5].what == "clock beats a beat 1 for 2: its delay would be 15 ms, it makes 20"


def test_taps_and_delay_times_are_counted():
    facts = [
        TapsSent(at=1, pedal="short echo", tempo=84, count=4),
        TapsSent(at=9, pedal="short echo", tempo=85, count=3),
        DelayTimeTold(at=2, pedal="stutter", delay_ms=300, why="drift"),
    ]
    taps, times = counts_of(facts)
    assert dict(taps) == {"short echo": 7}
    assert dict(times) == {"stutter": 1}


def test_what_needs_a_number_or_a_name_is_told_with_it():
    facts = [
        TempoNudged(at=11, deck="north", percent=-0.5),
        PedalTurned(at=12, pedal="stutter", deck="south"),
        BeatRecounted(at=13, deck="north", factor=0.5),
        BeatRecounted(at=14, deck="north", factor=2.0),
        TapeChosen(at=15, deck="north", tape="winch room", tempo=118.0),
        TapeChosen(at=16, deck="south", tape="kettle", tempo=None),
        TempoTold(at=17, deck="north", tempo=59.0),
        BarCounted(at=18, deck="north"),
        AllQuieted(at=19),
    ]
    told = [f"{deed.whose}: {deed.what}".replace("\xa0", " ") for deed in deeds_of(facts, 10.0)]
    assert told == [
        "north: its pedals were moved by −0.5 %, and keep that tempo",
        "stutter: listens to south from now on",
        "north: its beat was counted half as fast",
        "north: its beat was counted twice as fast",
        "north: the tape in it is winch room, which plays at 118.0 bpm",
        "south: the tape in it is kettle",
        "north: said to play at about 59.0 bpm",
        "north: the first beat of a bar was shown",
        "all: held notes and contacts were ended, and all loopers closed",
    ]


def test_taps_in_a_row_are_one_deed_of_each_deck():
    taps = [BeatTapped(at=at, deck="north") for at in (11, 12, 13, 14, 40)]
    deeds = deeds_of(sorted([*taps, BeatTapped(at=12.5, deck="south")], key=lambda fact: fact.at), 10.0)
    assert [(deed.seconds, deed.whose, deed.what) for deed in deeds] == [
        (1, "north", "its beat was tapped 4 times"),
        (2.5, "south", "its beat was tapped once"),
        (30, "north", "its beat was tapped once"),
    ]


def test_a_cue_is_told_with_what_it_waited_for():
    (cue,) = cues_of([CueFired(at=12, cue="fog lamp", why="the beat returned"), HandsOff(at=13, pedal="p")], 10.0)
    assert (cue.seconds, cue.whose, cue.what) == (2, "fog lamp", "the beat returned")
