"""Pulses in onsets."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.follow import belief

ALLOWED = np.ones(len(belief.lags()), dtype=bool)


def knocks(period: float, hops: int = 512, first: float = 5.0, noise: float = 0.02) -> np.ndarray:
    """Return onsets two hops wide at every period, around a mean of 0."""
    places = np.arange(hops)
    beats = np.arange(first, hops + period, period)
    onsets = np.exp(-0.5 * (np.abs(places[:, None] - beats[None, :]).min(axis=1) / 1.2) ** 2)
    onsets += noise * np.random.default_rng(1).standard_normal(hops)
    return onsets - onsets.mean()


@settings(max_examples=40, deadline=None)
@given(period=st.floats(26.0, 124.0), first=st.floats(0.0, 20.0))
def test_the_period_of_regular_knocks_is_found_to_a_fifth_of_a_percent_octaves_aside(period, first):
    """A pulse of half or double period is as good an answer here: the octave is the prior's to choose."""
    pulse = belief.strongest(belief.likeness(knocks(period, first=first)), ALLOWED)
    assert pulse is not None
    ratio = pulse.period / period
    assert min(abs(ratio / whole - 1) for whole in (0.5, 1, 2, 3, 4)) < 0.004
    assert pulse.strength > 0.5


@pytest.mark.parametrize("seed", range(8))
def test_noise_has_no_firm_pulse(seed):
    noise = 0.2 * np.random.default_rng(seed).standard_normal(512)
    pulse = belief.strongest(belief.likeness(noise), ALLOWED)
    assert pulse is None or pulse.strength < 0.3


def test_a_tremolo_is_no_pulse():
    assert belief.strongest(belief.likeness(knocks(7.0)), ALLOWED) is None


def test_onsets_too_weak_for_a_beat_have_no_likeness():
    assert not belief.likeness(0.02 * knocks(60.0)).any()
    assert not belief.likeness(np.zeros(300)).any()


def test_a_pulse_that_is_not_allowed_is_not_found():
    allowed = np.abs(belief.lags() - 60) < 10
    pulse = belief.strongest(belief.likeness(knocks(43.0)), allowed)
    assert pulse is None or abs(pulse.period - 60) < 10


@pytest.mark.parametrize("period", [30.0, 61.3, 120.5])
def test_the_latest_beat_is_found_to_within_a_hop(period):
    onsets = knocks(period, first=11.0)
    age = belief.latest_beat(onsets, period)
    last = 11.0 + period * np.floor((511 - 11.0) / period)
    assert 511 - age == pytest.approx(last, abs=1.0)


def test_strength_is_known_at_the_period_and_absent_beside_it():
    alike = belief.likeness(knocks(60.0))
    assert belief.strength_at(alike, 60.0) > 0.7
    assert belief.strength_at(alike, 50.0) < 0.2


def test_an_onset_near_a_place_is_found_between_hops():
    at, height = belief.onset_near(knocks(60.0, first=5.4), age=511 - 65.0, reach=7.0)
    assert 511 - at == pytest.approx(65.4, abs=0.2)
    assert height > 0.5
