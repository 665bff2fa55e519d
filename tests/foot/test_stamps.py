"""When a message came, from two clocks."""

from __future__ import annotations

from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.foot.stamps import BELIEVED_S, Stamps


def test_a_message_that_was_seen_late_came_when_the_driver_says():
    stamps = Stamps()
    assert stamps.at(10.0, 0.0) == 10.0
    assert stamps.at(10.505, 0.5) == pytest.approx(10.5, abs=1e-4)
    assert stamps.at(11.0, 0.5) == pytest.approx(11.0, abs=1e-4)


def test_a_first_message_that_was_late_is_made_good_by_the_next():
    stamps = Stamps()
    stamps.at(10.004, 0.0)
    assert stamps.at(10.5, 0.5) == pytest.approx(10.5)
    assert stamps.at(11.003, 0.5) == pytest.approx(11.0, abs=1e-4)


def test_a_driver_that_stamps_nothing_changes_nothing():
    stamps = Stamps()
    assert [stamps.at(seen, 0.0) for seen in (1.0, 2.0, 3.0)] == [1.0, 2.0, 3.0]


def test_a_driver_that_lost_count_is_not_believed():
    stamps = Stamps()
    stamps.at(1.0, 0.0)
    assert stamps.at(2.0, 0.3) == 2.0
    assert stamps.at(3.0, 1.0) == pytest.approx(3.0)


@pytest.mark.parametrize("gap_s", [nan, inf, -1.0])
def test_intervals_that_are_none_count_as_nothing(gap_s):
    stamps = Stamps()
    stamps.at(1.0, 0.0)
    assert stamps.at(2.0, gap_s) == 2.0


@given(st.lists(st.tuples(st.floats(0.001, 100), st.floats(0, 100)), max_size=40))
def test_no_message_came_later_than_it_was_seen_nor_much_earlier(moves):
    stamps, seen = Stamps(), 0.0
    for step, gap in moves:
        seen += step
        assert seen - BELIEVED_S - 1e-9 <= stamps.at(seen, gap) <= seen
