"""Speed switches, told by the spectrum."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.decks.speed import FURTHEST, SpeedWatch, Switch, factor_between, likenesses, same_sound
from bridge.follow.features import TONES, Features, Hop
from tests.follow.sounds import RATE, drums, dulled_at_half, horns, switched


def switches(sound: np.ndarray) -> list[Switch]:
    watch = SpeedWatch()
    return [found for hop in Features(RATE).hear(sound.astype(np.float32)) if (found := watch.hear(hop))]


@pytest.mark.parametrize("clip", ["gravel-path", "winch-room"])
@pytest.mark.parametrize("factor", [2.0, 0.5])
def test_a_switch_is_seen_once_where_it_was(clip, factor):
    tempo = 84.0 / factor**0.5
    found = switches(switched(clip, tempo, factor * tempo, 9.0))
    assert [one.factor for one in found] == [factor]
    assert abs(found[0].frame / RATE - 9.0) < 0.6


@pytest.mark.parametrize("clip", ["gravel-path", "winch-room"])
def test_a_switch_to_half_that_takes_the_treble_along_is_suspected(clip):
    assert [(one.factor, one.sure) for one in switches(dulled_at_half(clip))] == [(0.5, False)]


def test_a_varispeed_ride_of_15_percent_is_none():
    assert switches(drums("gravel-path", [84, 84, 96.6, 96.6, 84], 30.0)) == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_entering_bass_or_hat_is_none(seed):
    sound = drums("gravel-path", 84.0, 18.0).astype(np.float64)
    half = len(sound) // 2
    time_s = np.arange(half) / RATE
    rng = np.random.default_rng(seed)
    bass = 0.3 * np.sin(2 * np.pi * rng.uniform(45, 90) * time_s)
    hat = np.diff(rng.normal(0, 0.1, half + 1)) * np.exp(-(time_s % 0.357) / 0.02)
    for entering in (bass, hat):
        mixed = sound.copy()
        mixed[half:] += entering
        assert switches(mixed) == []


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_horns_that_come_and_go_are_none(seed):
    assert switches(horns(40.0, np.random.default_rng(seed))) == []


@pytest.mark.parametrize(
    ("bands", "factor"), [(6, 2.0), (-6, 0.5), (12, 4.0), (-12, 0.25), (0, 1.0), (3, 1.0), (-9, 1.0)]
)
def test_only_whole_octaves_are_switches(bands, factor):
    """The bands are six an octave. A made-up profile, moved by so many bands."""
    shape = np.random.default_rng(8).normal(-40, 6, 42 + 28)
    assert factor_between(shape[14:56], shape[14 - bands : 56 - bands]) == factor


@pytest.mark.parametrize(("bands", "factor"), [(6, 2.0), (-6, 0.5), (4, 1.0), (-4, 1.0), (0, 1.0)])
def test_drums_that_play_on_differently_must_lie_at_an_octave_and_be_far_liker_there(bands, factor):
    """3.2 dB beside the profile before, more than one tape laid over itself; six bands an octave."""
    rng = np.random.default_rng(8)
    shape, other = rng.normal(-40, 6, 42 + 28), rng.normal(0, 3.2, 42)
    assert factor_between(shape[14:56], shape[14 - bands : 56 - bands] + other) == factor


@pytest.mark.parametrize("bands", [5, -5, 7])
def test_drums_that_play_on_differently_a_band_beside_an_octave_are_no_switch(bands):
    """As one tape laid over itself a band beside it would be: a tape's slope pulls at the best shift."""
    rng = np.random.default_rng(8)
    shape, other = rng.normal(-40, 6, 42 + 28), rng.normal(0, 3.2, 42)
    before, after = shape[14:56], shape[14 - bands : 56 - bands]
    assert factor_between(before, after + other) == 1.0
    assert factor_between(before, after) in (0.5, 2.0)


@pytest.mark.parametrize("seed", [0, 1])
def test_a_switch_that_is_sure_a_look_later_is_not_suspected_first(seed):
    """A made-up profile, six bands an octave, that goes down by an octave, dull at first and then less and less."""
    rng = np.random.default_rng(seed)
    shape = np.cumsum(rng.normal(0, 3, 60))
    before, after = shape[9:51] - shape.mean() - 30, shape[15:57] - shape.mean() - 30
    slope = np.linspace(0, 30, 42)
    watch, found = SpeedWatch(), []
    for hop in range(900):
        levels = before if hop < 450 else after - slope * max(0.0, 1 - (hop - 450) / 400)
        power = 10 ** ((levels + rng.normal(0, 2, 42)) / 10)
        seen = watch.hear(Hop(441 * (hop + 1), -20.0, power, np.zeros(TONES), np.zeros(441, np.float32)))
        found += [] if seen is None else [(seen.factor, seen.sure)]
    assert found == [(0.5, True)]


def test_flat_spectra_tell_nothing():
    assert factor_between(np.full(42, -40.0), np.full(42, -40.0)) == 1.0


def test_likeness_is_symmetric_in_time():
    rng = np.random.default_rng(1)
    before, after = rng.normal(size=42), rng.normal(size=42)
    np.testing.assert_allclose(likenesses(before, after), likenesses(after, before)[::-1], atol=1e-9)


def test_likeness_is_the_correlation_of_what_lies_over_each_other():
    rng = np.random.default_rng(2)
    before, after = rng.normal(-40, 6, 42), rng.normal(-40, 6, 42)
    by_hand = [
        np.corrcoef(before[max(0, -shift) : 42 - max(0, shift)], after[max(0, shift) : 42 + min(0, shift)])[0, 1]
        for shift in range(-FURTHEST, FURTHEST + 1)
    ]
    np.testing.assert_allclose(likenesses(before, after), by_hand, atol=1e-9)
    assert not likenesses(before, np.zeros(42)).any()


def profile(sound: np.ndarray) -> np.ndarray:
    watch = SpeedWatch()
    for hop in Features(RATE).hear(sound):
        watch.hear(hop)
    found = watch.profile()
    assert found is not None
    return found


def test_one_tape_ridden_is_the_same_sound_and_another_is_not():
    before = profile(drums("gravel-path", 84.0, 4.0))
    assert same_sound(before, profile(drums("gravel-path", 84.0 * 1.12, 4.0)), 1.12)
    assert not same_sound(before, profile(drums("winch-room", 84.0 * 1.12, 4.0)), 1.12)
    assert not same_sound(before, before, 1.4)


@pytest.mark.parametrize("heard_since_s", [2.0, 4.0, 6.0, 8.0])
def test_the_turn_is_found_where_another_tape_began(heard_since_s):
    watch = SpeedWatch()
    both = [drums("gravel-path", 84.0, 14.0), drums("winch-room", 63.0, heard_since_s)]
    for hop in Features(RATE).hear(np.concatenate(both)):
        watch.hear(hop)
    assert watch.sharpest_turn() / RATE == pytest.approx(14.0, abs=0.6)


def test_there_is_no_turn_before_two_seconds():
    watch = SpeedWatch()
    for hop in Features(RATE).hear(drums("gravel-path", 84.0, 1.9)):
        watch.hear(hop)
    assert watch.sharpest_turn() == 0
