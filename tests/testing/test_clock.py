"""Promises of the fake clock."""

import pytest

from bridge.testing.clock import FakeClock


def test_time_moves_only_when_told():
    clock = FakeClock(10.0)
    assert (clock(), clock()) == (10.0, 10.0)
    clock.advance(2.5)
    clock.advance_to(20.0)
    clock.advance_to(5.0)
    assert clock() == 20.0


@pytest.mark.parametrize("step", [-0.1, float("nan"), float("inf")])
def test_time_never_runs_backwards_or_away(step):
    with pytest.raises(ValueError, match="forward"):
        FakeClock().advance(step)


def test_an_instant_that_is_no_time_is_refused():
    with pytest.raises(ValueError, match="finite"):
        FakeClock().advance_to(float("nan"))
