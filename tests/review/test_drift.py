"""What moved a tape's tempo is told apart, and the parts add up to the whole."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.review.drift import Parts, parts_of, percent_of, smoothed

BEATS = np.arange(0.0, 600.0, 60 / 84)


def apart(cents) -> Parts:
    found = parts_of(BEATS, 84 * 2 ** (cents / 1200), 84.0)
    assert found is not None
    return found


@given(st.integers(0, 2**32 - 1))
def test_the_parts_add_up_to_the_whole(seed):
    rng = np.random.default_rng(seed)
    cents = np.cumsum(rng.normal(0, 3, len(BEATS))) + 40 * (rng.uniform(50, 550) < BEATS)
    found = apart(cents)
    whole = np.interp(found.seconds, BEATS, cents)
    assert found.slow + found.moved + found.fast == pytest.approx(whole, abs=1e-6)


def test_slow_drift_is_drift_and_no_move():
    """20 cents at 0.005 Hz, far below 0.1 Hz."""
    found = apart(20 * np.sin(2 * np.pi * 0.005 * BEATS))
    assert found.slow_range == (pytest.approx(-20, abs=0.3), pytest.approx(20, abs=0.3))
    assert found.fast_rms < 0.2
    assert found.moves == ()


def test_wow_is_fast_and_no_drift():
    """4 cents at 0.5 Hz have a root mean square of 2.8; beats 0.71 s apart, joined by lines, keep two thirds of it."""
    found = apart(4 * np.sin(2 * np.pi * 0.5 * BEATS))
    assert 1.5 < found.fast_rms < 2.9
    assert np.abs(found.slow[40:-40]).max() < 0.2
    assert found.moves == ()


def test_a_curve_at_a_tenth_of_a_hertz_is_halved_in_power():
    """What "below 0.1 Hz" means: the amplitude there is 1 / sqrt 2."""
    grid = np.arange(0, 400, 0.25)
    from bridge.review.drift import GRID_S, SLOW_DEVIATION_S

    slow = smoothed(np.sin(2 * np.pi * 0.1 * grid), SLOW_DEVIATION_S / GRID_S)[400:-400]
    assert slow.max() == pytest.approx(2**-0.5, rel=0.01)


def test_the_hand_on_the_varispeed_is_a_move_with_begin_and_end():
    """3 % slower within 6 s: -52.732 cents. Source: CHECK_VALUES 1.3, from the definition of the cent."""
    wow = 4 * np.sin(2 * np.pi * 0.5 * BEATS)
    (move,) = apart(np.interp(BEATS, [200, 206], [0, -52.732]) + wow).moves
    assert move.by == "varispeed"
    assert move.percent == pytest.approx(-3.0, abs=0.15)
    assert (move.begin_s, move.end_s) == (pytest.approx(200, abs=1.5), pytest.approx(206, abs=1.5))


def test_a_jump_is_a_step_and_no_drift():
    rng = np.random.default_rng(2)
    found = apart(np.where(BEATS > 200, 50.0, 0.0) + rng.normal(0, 2, len(BEATS)))
    (move,) = found.moves
    assert (move.by, move.cents) == ("step", pytest.approx(50, abs=4))
    assert move.begin_s == move.end_s == pytest.approx(200, abs=1.5)
    assert np.abs(found.slow).max() < 15


def test_what_swings_back_at_once_is_no_move():
    assert apart(np.where((BEATS > 200) & (BEATS < 202), 40.0, 0.0)).moves == ()


def test_strong_wow_is_no_row_of_steps():
    """Ten cents at 0.33 Hz: what a tired belt does."""
    assert apart(10 * np.sin(2 * np.pi * 0.33 * BEATS)).moves == ()


def test_a_motor_that_warms_up_drifts_and_is_not_moved():
    """100 cents over some minutes."""
    found = apart(-100 * np.exp(-BEATS / 100))
    assert found.moves == ()
    assert found.slow_range[0] == pytest.approx(-100, abs=3)


def test_too_little_is_not_taken_apart():
    assert parts_of(np.array([0.0, 1.0, 2.0]), np.full(3, 60.0), 60.0) is None
    assert parts_of(np.linspace(0, 1, 9), np.full(9, 300.0), 300.0) is None


@pytest.mark.parametrize(("cents", "percent"), [(1200, 100), (-1200, -50), (100, 5.9463), (17.226, 1.0), (0, 0)])
def test_cents_are_a_change_of_speed(cents, percent):
    """Source: CHECK_VALUES 1.3: cents = 1200 log2 ratio."""
    assert percent_of(cents) == pytest.approx(percent, abs=1e-4)
