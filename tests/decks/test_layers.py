"""What comes into a mix, and leaves it, at once."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.decks.layers import Layers
from bridge.follow.features import Features
from tests.follow.sounds import RATE, drums, horns

ALL = 1200  # hops


def layers_of(sound: np.ndarray) -> Layers:
    layers = Layers()
    for hop in Features(RATE).hear(sound.astype(np.float32)):
        layers.hear(hop)
    return layers


def bed(seconds: float, seed: int = 1) -> np.ndarray:
    return 0.3 * horns(seconds, np.random.default_rng(seed))


def gain(seconds: float, *points: tuple[float, float]) -> np.ndarray:
    """Return a fader's factor along points of time in seconds and level in dB."""
    times, levels = zip(*points, strict=True)
    return 10.0 ** (np.interp(np.arange(round(seconds * RATE)) / RATE, times, levels) / 20.0)


@pytest.mark.parametrize("clip", ["gravel-path", "winch-room"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_tape_that_comes_in_is_found_where_it_came(clip, seed):
    sound = bed(12.0, seed)
    sound[8 * RATE :] += drums(clip, 84.0, 4.0)
    edge = layers_of(sound).rose(ALL)
    assert edge is not None
    assert edge.hops_back / 100 == pytest.approx(4.0, abs=0.8)


@pytest.mark.parametrize("clip", ["gravel-path", "winch-room"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_tape_that_leaves_is_found_where_it_left(clip, seed):
    sound = bed(12.0, seed)
    sound[: 10 * RATE] += drums(clip, 84.0, 10.0)
    edge = layers_of(sound).fell(ALL)
    assert edge is not None
    assert edge.hops_back / 100 == pytest.approx(2.0, abs=0.8)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_horns_that_come_and_go_behind_steady_drums_are_none(seed):
    layers = layers_of(bed(14.0, seed) + drums("gravel-path", 84.0, 14.0))
    assert layers.rose(ALL) is None
    assert layers.fell(ALL) is None


@pytest.mark.parametrize("over_s", [0.3, 1.0, 3.0, 8.0])
def test_a_fader_that_rides_the_whole_mix_is_none(over_s):
    mix = bed(14.0) + drums("gravel-path", 84.0, 14.0, hiss=0.0)
    quiet = np.random.default_rng(4).normal(0, 2e-4, len(mix))
    down = layers_of(gain(14.0, (4, 0), (4 + over_s, -30)) * mix + quiet)
    up = layers_of(gain(14.0, (4, -30), (4 + over_s, 0)) * mix + quiet)
    assert down.fell(ALL) is None
    assert up.rose(ALL) is None


def test_what_is_further_back_than_asked_is_not_found():
    sound = bed(12.0)
    sound[: 7 * RATE] += drums("gravel-path", 84.0, 7.0)
    assert layers_of(sound).fell(ALL) is not None
    assert layers_of(sound).fell(400) is None


@pytest.mark.parametrize("seconds", [0.0, 0.2, 1.0])
def test_too_little_tells_nothing(seconds):
    layers = layers_of(drums("gravel-path", 84.0, seconds))
    assert layers.rose(ALL) is None
    assert layers.fell(ALL) is None


def test_what_came_before_the_last_twelve_seconds_is_forgotten():
    sound = bed(24.0)
    sound[: 10 * RATE] += drums("gravel-path", 84.0, 10.0)
    assert layers_of(sound).fell(10 * ALL) is None
