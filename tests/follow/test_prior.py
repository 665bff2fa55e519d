"""Which octave a tempo is read in."""

from __future__ import annotations

from math import log2

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.follow.prior import Prior, octave_gap

tempos = st.floats(30.0, 300.0)


@pytest.mark.parametrize(
    ("tempo", "expected"), [(168.0, 84.0), (118.0, 59.0), (59.0, 59.0), (42.0, 84.0), (140.0, 70.0), (35.0, 70.0)]
)
def test_with_no_history_the_octave_nearest_the_middle_of_the_range_is_taken(tempo, expected):
    """The geometric middle of 40..130 is 72.1."""
    assert Prior((40.0, 130.0)).fold(tempo) == expected


@given(tempo=tempos)
def test_a_folded_tempo_lies_in_the_range_whole_octaves_away(tempo):
    folded = Prior((40.0, 130.0)).fold(tempo)
    assert folded is not None
    assert 40 / 1.03 <= folded <= 130 * 1.03
    assert log2(folded / tempo) == pytest.approx(round(log2(folded / tempo)))


def test_a_tempo_with_no_octave_in_a_narrow_range_is_none():
    assert Prior((100.0, 120.0)).fold(84.0) is None


@given(kept=st.floats(42.0, 60.0), drift=st.floats(-0.05, 0.05), octave=st.sampled_from([0.5, 1.0, 2.0, 4.0]))
def test_the_octave_that_is_kept_stays(kept, drift, octave):
    """However the pulse is heard, a tape that drifts is read in the octave that it had."""
    prior = Prior((40.0, 130.0))
    prior.keep(kept * 2)
    folded = prior.fold(kept * 2 * (1 + drift) * octave)
    assert folded == pytest.approx(kept * 2 * (1 + drift))


def test_another_tempo_is_read_as_if_nothing_had_been_kept():
    prior = Prior((40.0, 130.0))
    prior.keep(84.0)
    assert prior.fold(118.0) == 59.0


def test_a_speed_switch_moves_the_octave_and_a_new_tape_forgets_it():
    prior = Prior((40.0, 130.0))
    prior.keep(59.0)
    prior.move_by(2.0)
    assert prior.fold(59.0) == 118.0
    prior.forget()
    assert prior.fold(118.0) == 59.0


def test_a_switch_out_of_the_range_leaves_the_range_to_decide():
    prior = Prior((40.0, 130.0))
    prior.keep(84.0)
    prior.move_by(2.0)
    assert prior.fold(168.0) == 84.0


@given(tempo=tempos, octaves=st.integers(-3, 3))
def test_octaves_are_no_gap(tempo, octaves):
    assert octave_gap(tempo * 2.0**octaves, tempo) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("bad", [(100.0, 100.0), (130.0, 40.0), (10.0, 100.0), (40.0, 500.0), (float("nan"), 100.0)])
def test_ranges_that_make_no_sense_are_refused(bad):
    with pytest.raises(ValueError, match=r"tempo"):
        Prior(bad)
