"""What the belief thinks of itself becomes a probability."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.follow.trust import trusted


@given(st.floats(0, 1), st.floats(0, 1))
def test_the_surer_the_belief_the_surer_the_beat(one, other):
    low, high = sorted([one, other])
    assert 0.0 < trusted(low) <= trusted(high) < 1.0


@given(st.floats(0.2, 1))
def test_a_belief_is_never_taken_at_more_than_its_word(believed):
    """It is too sure of itself: on training scenes fewer beats are right than it thinks, however sure it is."""
    assert trusted(believed) < believed


@pytest.mark.parametrize("believed", [-0.1, 1.1, math.nan])
def test_what_is_no_probability_is_refused(believed):
    with pytest.raises(ValueError, match=r"believed must be 0\.\.1, got"):
        trusted(believed)
