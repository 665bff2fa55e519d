"""Which octave is counted."""

from __future__ import annotations

from bridge.follow.line import Sight
from bridge.follow.octave import OctaveChoice


def sight(period: float) -> Sight:
    return Sight(0, 0.0, period, 0.9)


def heard(choice: OctaveChoice, period: float, seconds: float) -> list[float]:
    """Return what a choice tells, look by look, of a line of 60 hops a beat where another period is believed."""
    return [choice.hear(sight(period), 60.0, 4) for _ in range(round(seconds * 25))]


def test_the_octave_moves_soon_while_it_is_new_and_then_stays_for_ten_minutes():
    choice = OctaveChoice()
    moves = heard(choice, 30.0, 600.0)
    assert moves.index(2.0) < 4 * 25
    assert moves.count(1.0) == len(moves) - 1
    assert heard(choice, 120.0, 15.0).count(0.5) == 1


def test_an_octave_that_was_believed_for_eight_seconds_moves_once_another_is_far_likelier_for_long():
    choice = OctaveChoice()
    assert set(heard(choice, 60.0, 8.0)) == {1.0}
    assert set(heard(choice, 120.0, 6.5)) == {1.0}
    assert 0.5 in heard(choice, 120.0, 1.5)
    assert set(heard(choice, 30.0, 500.0)) == {1.0}


def test_an_octave_that_is_likelier_now_and_then_never_takes_over():
    choice = OctaveChoice()
    assert set(heard(choice, 60.0, 8.0)) == {1.0}
    for _ in range(20):
        assert set(heard(choice, 120.0, 3.0) + heard(choice, 60.0, 1.5)) == {1.0}


def test_a_choice_that_is_free_again_moves_soon():
    choice = OctaveChoice()
    assert 2.0 in heard(choice, 30.0, 8.0)
    choice.free()
    assert 0.5 in heard(choice, 120.0, 4.0)


def test_an_octave_that_moved_along_with_the_deck_stays_though_the_old_one_is_believed_for_a_while():
    choice = OctaveChoice()
    choice.stay()
    assert set(heard(choice, 30.0, 590.0)) == {1.0}
    assert 2.0 in heard(choice, 30.0, 20.0)


def test_a_hand_s_octave_is_the_hand_s_until_another_tape_plays():
    choice = OctaveChoice()
    choice.settle()
    assert not choice.is_by_hand
    choice.settle(by_hand=True)
    choice.settle()
    assert choice.is_by_hand
    choice.free()
    assert not choice.is_by_hand


def test_a_told_octave_stays():
    choice = OctaveChoice()
    choice.settle()
    assert set(heard(choice, 120.0, 700.0)) == {1.0}
