"""Loops that were played are told with how far they and the deck came apart."""

from __future__ import annotations

import pytest

from bridge.events import BeatPlaced, Fact
from bridge.events_foot import LooperChanged, LoopMeasured
from bridge.events_hand import LoopChanged
from bridge.review.loops import loops_of


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


def states(*turns: tuple[float, str, str]) -> list[Fact]:
    return [
        LooperChanged(
            at=10.0 + at, looper="loop box", was=was, now=now, why="foot", beats=8.0 if now == "playing" else None
        )
        for at, was, now in turns
    ]


NIGHT = (
    (0, "idle", "armed"), (2, "armed", "recording"), (6, "recording", "playing"), (9, "playing", "overdubbing"),
    (12, "overdubbing", "playing"), (50, "playing", "stopped"), (60, "stopped", "playing"), (70, "playing", "idle"),
)  # fmt: skip


def measured(*aparts: tuple[float, float]) -> list[Fact]:
    return [LoopMeasured(at=10.0 + at, looper="loop box", apart=apart, ms=500 * apart) for at, apart in aparts]


def test_a_looper_of_the_rig_is_told_by_what_was_measured_while_it_played():
    facts = [*states(*NIGHT), *measured((10, 0.1), (20, 0.4), (30, -0.4), (40, 0.3), (65, 0.2))]
    (loop,) = loops_of(sorted(facts, key=lambda fact: fact.at), {}, 10.0, 100.0)
    assert (loop.pedal, loop.begin_s, loop.length_s, loop.played_s, loop.beats) == ("loop box", 2.0, 4.0, 44.0, 8.0)
    assert loop.furthest_beats == pytest.approx(0.6)  # beyond half a beat a measure begins again at -0.5
    assert loop.apart_beats == pytest.approx(0.3)


def test_a_looper_that_nobody_measured_is_told_without():
    (loop,) = loops_of(states(*NIGHT), {}, 10.0, 100.0)
    assert (loop.apart_beats, loop.furthest_beats) == (None, None)


def test_a_looper_and_the_pedal_that_it_sits_in_tell_of_one_loop():
    """The looper tells its pedal's state at the same instants; a pedal's own word at another one is another loop."""
    both = [*states(*NIGHT[:6]), *looped((2, "recording"), (6, "playing"), (50, "stopped"))]
    own = looped((60, "recording"), (64, "playing"), (80, "stopped"))
    found = loops_of(sorted([*both, *own], key=lambda fact: fact.at), {}, 10.0, 100.0)
    assert [(loop.begin_s, loop.beats) for loop in found] == [(2.0, 8.0), (60.0, None)]


def test_where_the_deck_was_furthest_ahead_is_told_though_it_came_back():
    """Looped at 60 bpm: 20 s at 63 gain a beat, 20 s at 57 lose it again."""
    (loop,) = loops_of(
        looped((0, "recording"), (4, "playing"), (44, "stopped")),
        {"loop box": beats((60, 4), (63, 21), (57, 30))},
        10.0,
        100.0,
    )
    assert loop.furthest_beats == pytest.approx(1.0, abs=0.05)
    assert loop.apart_beats == pytest.approx(0.0, abs=0.05)
