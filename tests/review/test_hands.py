"""What hands, feet and loopers did to pedals is told; loops are compared with the deck that went on."""

from __future__ import annotations

import pytest

from bridge.events import BeatPlaced
from bridge.events_hand import HandsOff, HandsOn, LoopChanged, RatioFolded, StepAllowed, TempoKept, TempoLetGo
from bridge.events_sent import DelayTimeTold, TapsSent
from bridge.review.hands import counts_of, deeds_of, loops_of


def beats(*tempos: tuple[float, int]) -> tuple[BeatPlaced, ...]:
    """Beats in a row: so many at each tempo."""
    found, at = [], 10.0
    for tempo, count in tempos:
        for _ in range(count):
            index = len(found)
            found.append(BeatPlaced(at=at, deck="north", index=index, tempo=tempo, confidence=1, known=at))
            at += 60 / tempo
    return tuple(found)


def looped(*changes: tuple[float, str]):
    return [LoopChanged(at=10.0 + at, pedal="loop box", loop=loop) for at, loop in changes]


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


def test_a_loop_and_its_deck_come_apart_as_the_tape_drifts():
    """Four beats at 60 bpm, looped for 40 s while the deck goes on at 63: 42 beats against 40."""
    (loop,) = loops_of(
        looped((0, "recording"), (4, "playing"), (44, "stopped")), {"loop box": beats((60, 4), (63, 60))}, 10.0, 100.0
    )
    assert (loop.begin_s, loop.length_s, loop.played_s) == (0.0, 4.0, 40.0)
    assert loop.beats == pytest.approx(4.0)
    assert loop.apart_beats == pytest.approx(2.0, abs=0.02)


def test_a_loop_that_was_never_played_is_none_and_one_that_plays_on_ends_with_the_take():
    assert loops_of(looped((0, "recording"), (4, "stopped")), {}, 10.0, 100.0) == ()
    (loop,) = loops_of(looped((0, "recording"), (4, "playing")), {}, 10.0, 100.0)
    assert loop.played_s == pytest.approx(86.0)
    assert (loop.beats, loop.apart_beats) == (None, None)


def test_an_overdub_is_not_a_new_loop_of_its_own_begin():
    """Recording, playing, recording (an overdub), playing: two spans, the second no longer than its overdub."""
    found = loops_of(looped((0, "recording"), (4, "playing"), (8, "recording"), (12, "playing")), {}, 10.0, 30.0)
    assert [(loop.begin_s, loop.length_s) for loop in found] == [(0.0, 4.0), (8.0, 4.0)]
