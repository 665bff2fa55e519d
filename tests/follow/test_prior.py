"""What is known before anything is heard."""

from __future__ import annotations

from math import log2

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.follow.prior import folded, limits, middle, octave_gap, tempo_prior

RANGE = (40.0, 130.0)
TEMPOS = np.exp(np.arange(np.log(40), np.log(130), 0.0125))

tempos = st.floats(30.0, 300.0)


@pytest.mark.parametrize(
    ("tempo", "expected"), [(168.0, 84.0), (118.0, 59.0), (59.0, 59.0), (42.0, 84.0), (140.0, 70.0), (35.0, 70.0)]
)
def test_the_octave_nearest_the_middle_of_the_range_is_taken(tempo, expected):
    """The geometric middle of 40..130 is 72.1."""
    assert folded(tempo, RANGE) == expected


@given(tempo=tempos)
def test_a_folded_tempo_lies_in_the_range_whole_octaves_away(tempo):
    moved = folded(tempo, RANGE)
    assert moved is not None
    assert 40 / 1.03 <= moved <= 130 * 1.03
    assert log2(moved / tempo) == pytest.approx(round(log2(moved / tempo)))


def test_a_tempo_with_no_octave_in_a_narrow_range_is_none():
    assert folded(84.0, (100.0, 120.0)) is None


@given(tempo=st.floats(41.0, 129.0))
def test_a_tempo_within_the_range_stays_where_it_is_asked_to(tempo):
    assert folded(tempo, RANGE, near=tempo) == tempo


def test_a_switch_out_of_the_range_leaves_the_range_to_decide():
    assert folded(168.0, RANGE, near=168.0) == 84.0


@given(tempo=tempos, octaves=st.integers(-3, 3))
def test_octaves_are_no_gap(tempo, octaves):
    assert octave_gap(tempo * 2.0**octaves, tempo) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("bad", [(100.0, 100.0), (130.0, 40.0), (10.0, 100.0), (40.0, 500.0), (float("nan"), 100.0)])
def test_ranges_that_make_no_sense_are_refused(bad):
    with pytest.raises(ValueError, match=r"tempo"):
        limits(bad)


def test_a_prior_is_a_probability_around_the_middle_of_the_range():
    prior = tempo_prior(TEMPOS, middle(RANGE))
    assert prior.sum() == pytest.approx(1.0)
    assert TEMPOS[prior.argmax()] == pytest.approx(middle(RANGE), rel=0.02)
    assert prior.min() > 0.1 * prior.max()  # nothing in the range is ruled out


def test_a_told_tempo_takes_nearly_all_and_leaves_a_doubt():
    prior = tempo_prior(TEMPOS, middle(RANGE), 100.0, doubt=0.02)
    near = np.abs(np.log(TEMPOS / 100.0)) < 0.1
    assert prior[near].sum() > 0.95
    assert 0.005 < prior[~near].sum() < 0.04


@pytest.mark.parametrize("bad", [0.0, -84.0, float("nan")])
def test_no_tempo_can_be_told_that_is_not_above_0(bad):
    with pytest.raises(ValueError, match="above 0"):
        tempo_prior(TEMPOS, 72.0, bad)
