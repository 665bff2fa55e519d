"""Is anything heard but echoes of one's own clock?"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.follow.echoes import LONGEST_HOPS, REPEAT, EchoWatch
from bridge.follow.features import FLOOR_DB, TONES

DELAY = 70
STOPS = 2000


def powers(feedback: float, level: float, delay: int = DELAY, hops: int = 3000, seed: int = 1) -> np.ndarray:
    """Return the power of each tone band, hop by hop, of hits that end at STOPS and of their echoes.

    Args:
        feedback: Part of a repeat's power that the next one has.
        level: Power of the first echo beside the hit's.
    """
    rng = np.random.default_rng(seed)
    direct = np.zeros((hops, TONES))
    for at in range(0, STOPS, 35):
        hit = rng.uniform(0.3, 1.0) * rng.uniform(0.01, 1.0, TONES)
        direct[at : at + 20] += hit * np.exp(-np.arange(20) / 4.0)[:, None]
    direct[STOPS:] = 0.0
    echo = np.zeros_like(direct)
    for at in range(delay, hops):
        echo[at] = direct[at - delay] + feedback * echo[at - delay]
    return direct + level * echo


def alone(power: np.ndarray, delays: tuple[float, ...]) -> np.ndarray:
    """Return for each hop whether only known echoes are heard."""
    watch = EchoWatch()
    tones = 10 * np.log10(power + 10 ** (FLOOR_DB / 10))
    return np.array([watch.hear(db, delays) for db in tones])


@pytest.mark.parametrize("delay", [20, 70, 150])
@pytest.mark.parametrize("feedback", [0.25, 0.56])
@pytest.mark.parametrize("level", [0.25, 1.0, 2.5])
def test_echoes_alone_are_told_within_three_seconds_and_never_while_the_tape_plays(delay, feedback, level):
    found = alone(powers(feedback, level, delay), (delay + 0.4,))
    assert not found[:STOPS].any()
    assert STOPS < np.flatnonzero(found)[0] <= STOPS + delay + 200


def test_a_tape_that_comes_back_ends_it_with_its_first_hit():
    power = powers(0.56, 1.0)
    power[2400:2410] += 1.0
    found = alone(power, (DELAY,))
    assert found[2399]
    assert not found[2402:2500].any()


@pytest.mark.parametrize("delays", [(), (0.3 * DELAY,), (float(LONGEST_HOPS + 1),), (1.0,)])
def test_echoes_of_a_delay_that_nobody_told_are_no_known_echoes(delays):
    assert not alone(powers(0.56, 1.0), delays).any()


@pytest.mark.parametrize("delays", [(DELAY,), (35.0,), (DELAY, 105.0)])
def test_dry_sound_is_never_taken_for_echoes(delays):
    assert not alone(powers(0.0, 0.0)[:STOPS], delays).any()


def test_a_drone_and_silence_are_no_echoes():
    assert not alone(np.full((1000, TONES), 0.01), (DELAY,)).any()
    assert not alone(np.zeros((1000, TONES)), (DELAY,)).any()


@settings(max_examples=10, deadline=None)
@given(st.floats(-30, 20))
def test_how_loud_all_of_it_is_does_not_matter(gain_db):
    """As far as nothing sinks to the floor of the tone bands."""
    power = powers(0.56, 1.0, hops=STOPS + 600)
    gain = 10 ** (gain_db / 10)
    assert np.array_equal(alone(gain * power, (DELAY,)), alone(power, (DELAY,)))


def test_what_falls_by_less_a_delay_than_any_repeat_is_heard_directly():
    """A tape that is ridden down by 1 dB a second, say; a faster ride may pass for echoes."""
    falls = np.repeat((1.2 * REPEAT) ** (np.arange(1500) / DELAY)[:, None], TONES, axis=1)
    assert not alone(0.1 * falls, (DELAY,)).any()


def test_nothing_heard_before_a_delay_was_known_counts():
    watch = EchoWatch()
    tones = 10 * np.log10(powers(0.56, 1.0, hops=STOPS + 600) + 10 ** (FLOOR_DB / 10))
    known = STOPS + 50
    found = np.array([watch.hear(db, (DELAY,) if hop >= known else ()) for hop, db in enumerate(tones)])
    assert not found[: known + 160].any()
    assert found[known + 160 + DELAY + 1]
    assert not watch.hear(tones[-1], ())
    assert not watch.hear(tones[-1], (DELAY,))
