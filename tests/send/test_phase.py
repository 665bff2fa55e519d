"""Where the beats of a pedal fall."""

from __future__ import annotations

from fractions import Fraction
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.send.phase import LOST_S, Phase


def steady(tempo: float, first: float, count: int, index: int = 0) -> Phase:
    phase = Phase()
    for n in range(count):
        phase.beat(first + n * 60 / tempo, index + n)
    return phase


@given(
    tempo=st.floats(20, 400),
    first=st.floats(0, 1e4),
    count=st.integers(1, 20),
    index=st.integers(0, 10**6),
    later=st.floats(0, 10),
)
def test_beats_go_on_as_the_deck_has_them(tempo, first, count, index, later):
    at = first + later
    assert steady(tempo, first, count, index).beats_at(at, tempo) == pytest.approx(index + later * tempo / 60, abs=1e-6)


def test_one_beat_that_is_off_moves_little():
    """A tenth of a second at 60 bpm; the middle of the four newest stays within half of what the others differ."""
    phase = steady(60.0, 0.0, 4)
    phase.beat(4.1, 4)
    assert phase.beats_at(5.0, 60.0) == pytest.approx(5.0)


def test_there_is_no_beat_before_one_came_and_after_the_tape_was_changed():
    phase = Phase()
    assert (phase.known, phase.beats_at(1.0, 60.0)) == (False, None)
    phase.beat(1.0, 0)
    assert phase.known
    phase.forget(1.5)
    assert not phase.known


def test_beats_from_before_a_pause_count_no_more():
    phase = steady(60.0, 0.0, 4)
    phase.beat(3.0 + LOST_S + 0.5, 4)
    assert phase.beats_at(3.0 + LOST_S + 0.5, 60.0) == 4.0


@given(tempo=st.floats(40, 240), off=st.floats(-0.49, 0.49), beats=st.floats(-100, 100), later=st.floats(0, 100))
def test_how_far_off_the_told_line_is_is_told_in_seconds_and_to_the_nearest_beat(tempo, off, beats, later):
    phase = Phase()
    assert phase.off_s(0.0, 0.0, Fraction(1)) == inf
    phase.told(10.0, beats, tempo)
    now = beats + later * tempo / 60 + off
    for whole in (0, 1, -7):
        assert phase.off_s(10.0 + later, now + whole, Fraction(1)) == pytest.approx(off * 60 / tempo, abs=1e-6)


def test_three_beats_to_two_of_the_deck_meet_halfway_between_two_as_well():
    phase = Phase()
    phase.told(0.0, 0.0, 60.0)
    assert phase.off_s(0.0, 0.51, Fraction(3, 2)) == pytest.approx(0.01)
    assert phase.off_s(0.0, 0.51, Fraction(2)) == pytest.approx(-0.49)


def test_what_was_told_without_a_beat_is_off():
    phase = Phase()
    phase.told(0.0, None, 60.0)
    assert phase.off_s(0.0, 0.0, Fraction(1)) == inf
