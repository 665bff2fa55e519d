"""Strokes in step with a beat are told from strokes that fall anywhere."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.follow.follower import READ_EVERY
from bridge.follow.step import InStep


def heard(strokes: list[int], phase_at: object, turn: float, hops: int) -> InStep:
    """Return what was told of strokes at some hops, beside a beat of ``turn`` beats a hop that is read every 4 hops."""
    step = InStep()
    for hop in range(hops):
        step.hear(6.0 if hop in strokes else -9.0)
        if hop % READ_EVERY == 0:
            step.believe(phase_at(hop), turn)  # type: ignore[operator]
    return step


def steady(hop: int) -> float:
    return (hop / 60) % 1.0


def test_a_drum_on_every_beat_is_in_step():
    step = heard(list(range(0, 1600, 60)), steady, 1 / 60, 1600)
    assert step.share > 0.6


def test_a_drum_on_beats_and_half_beats_is_in_step_with_the_half_beat():
    step = heard(list(range(0, 1600, 30)), steady, 1 / 60, 1600)
    assert step.share > 0.7


def test_where_in_the_beat_the_strokes_fall_does_not_matter():
    shares = [heard(list(range(off, 1600, 60)), steady, 1 / 60, 1600).share for off in (0, 13, 44)]
    assert shares == pytest.approx([shares[0]] * 3, abs=0.02)


@pytest.mark.parametrize("seed", range(6))
def test_strokes_without_a_pulse_are_not(seed):
    rng = np.random.default_rng(seed)
    at = np.cumsum(rng.exponential(50, 200)).astype(int)
    told = [heard(list(at), steady, 1 / 60, hops).share for hops in range(1200, 3000, 300)]
    assert np.median(told) < 0.3


def test_few_strokes_tell_little():
    assert heard([0], steady, 1 / 60, 100).share < 0.05
    assert heard([], steady, 1 / 60, 100).share < 0.01


def test_three_strokes_in_step_are_no_beat_yet_and_five_are():
    """Three steps fit one tempo or another; a beat that is not expected needs a third (`bridge.follow.follower`)."""
    three, five = (heard([60 * n for n in range(count)], steady, 1 / 60, 60 * count).share for count in (3, 5))
    assert three < 0.33 < five


def test_slow_strokes_are_enough_as_well():
    """30 bpm: a stroke every two seconds, over two hops as the net tells them."""
    strokes = [hop + more for hop in range(0, 3000, 200) for more in (0, 1)]
    step = heard(strokes, lambda hop: (hop / 200) % 1.0, 1 / 200, 3000)
    assert step.share > 0.5


def test_what_is_forgotten_does_not_count():
    step = heard(list(range(0, 1600, 60)), steady, 1 / 60, 1600)
    step.forget()
    assert step.share == 0.0
    step.believe(0.0, 1 / 60)
    assert step.share == 0.0
