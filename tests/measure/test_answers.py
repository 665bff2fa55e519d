"""Many answers, and whether to trust them."""

from __future__ import annotations

import pytest

from bridge.measure.answers import STEADY_MS, answers


def test_the_middle_and_the_spread_of_what_was_heard() -> None:
    told = answers([0.010, 0.011, 0.012, None, 0.009, 0.013])
    assert (told.tries, told.heard) == (6, 5)
    assert told.median_ms == pytest.approx(11.0)
    assert told.least_ms == pytest.approx(9.0)
    assert told.most_ms == pytest.approx(13.0)
    assert told.spread_ms == pytest.approx(3.2)  # 9.4 to 12.6, linear between ranks (numpy's default)
    assert told.enough
    assert not told.steady


def test_a_latency_may_be_negative() -> None:
    """Where what is taken off for the interface is more than there was."""
    assert answers([-0.004, -0.005, -0.006]).median_ms == pytest.approx(-5.0)


def test_one_stray_answer_in_ten_leaves_the_rest_steady() -> None:
    told = answers([0.005] * 19 + [0.2])
    assert told.steady
    assert told.median_ms == pytest.approx(5.0)
    assert told.most_ms == pytest.approx(200.0)


@pytest.mark.parametrize(("heard", "enough"), [(0, False), (6, False), (7, True), (10, True)])
def test_seven_of_ten_are_enough(heard: int, enough: bool) -> None:
    told = answers([0.005] * heard + [None] * (10 - heard))
    assert told.enough is told.steady is enough


def test_answers_that_disagree_are_not_steady() -> None:
    assert answers([0.0, STEADY_MS / 1000 * 0.99]).steady
    assert not answers([0.0, STEADY_MS / 1000 * 1.5]).steady


def test_no_answer_is_no_number() -> None:
    told = answers([None, None])
    assert told.median_ms is told.spread_ms is told.least_ms is told.most_ms is None
    assert not told.enough


@pytest.mark.parametrize("delays", [[], [float("nan")], [0.1, float("inf")]])
def test_what_is_no_answer_is_refused(delays: list[float | None]) -> None:
    with pytest.raises(ValueError, match=r"one try or more|finite"):
        answers(delays)
