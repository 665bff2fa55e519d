"""Which octave is counted."""

from __future__ import annotations

from bridge.follow.line import Sight
from bridge.follow.octave import OctaveChoice


def sight(period: float) -> Sight:
    return Sight(0, 0.0, period, 0.9)


def test_the_octave_moves_once_while_it_is_new_and_then_stays():
    choice = OctaveChoice()
    moves = [choice.hear(sight(30.0), 60.0, 2) for _ in range(2000)]
    assert moves.count(2.0) == 1
    assert moves.index(2.0) < 400
    assert set(moves) == {1.0, 2.0}


def test_an_octave_that_was_believed_for_eight_seconds_stays():
    choice = OctaveChoice()
    assert {choice.hear(sight(60.0), 60.0, 2) for _ in range(400)} == {1.0}
    assert {choice.hear(sight(120.0), 60.0, 2) for _ in range(2000)} == {1.0}
    choice.free()
    assert 0.5 in {choice.hear(sight(120.0), 60.0, 2) for _ in range(400)}


def test_a_told_octave_stays():
    choice = OctaveChoice()
    choice.settle()
    assert {choice.hear(sight(120.0), 60.0, 2) for _ in range(2000)} == {1.0}
