"""The time of an echo that the simulated delay line makes, from what goes in and what comes back."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from bridge.measure.echoes import echo_of, echo_within
from bridge.testing.echo import DelayLine

RATE = 24_000
SECONDS = 6.0
FRAMES = round(SECONDS * RATE)


def drums(beat_s: float, seed: int = 1) -> NDArray[np.float64]:
    """Hits on a beat that wanders by a percent, as a tape's does, each of its own noise."""
    rng = np.random.default_rng(seed)
    sound = rng.standard_normal(FRAMES) * 1e-3
    at = 0.1
    while at < SECONDS - 0.2:
        begin = round(at * RATE)
        length = round(0.08 * RATE)
        sound[begin : begin + length] += 0.3 * rng.standard_normal(length) * np.exp(-np.arange(length) / 300.0)
        at += beat_s * (1 + rng.uniform(-0.01, 0.01))
    return sound


def echoed(dry: NDArray[np.float64], delay_s: float, feedback: float) -> NDArray[np.float64]:
    line = DelayLine(RATE, feedback)
    block = 240
    parts = [
        line.play(dry[k : k + block], np.full(len(dry[k : k + block]), delay_s)) for k in range(0, len(dry), block)
    ]
    return np.concatenate(parts)


@pytest.mark.parametrize("delay_s", [0.0357, 0.2150, 0.4301, 1.2])
@pytest.mark.parametrize("feedback", [0.0, 0.6])
def test_the_first_echo_is_timed_to_a_tenth_of_a_millisecond(delay_s: float, feedback: float) -> None:
    """Repeats are longer, and do not count. The return holds nothing but echoes."""
    dry = drums(0.5)
    found = echo_of(dry, echoed(dry, delay_s, feedback), RATE, 2.0)
    assert found is not None
    assert found.time_s == pytest.approx(delay_s, abs=1e-4)


def test_an_echo_that_is_as_long_as_a_beat_is_no_trap() -> None:
    """What is regular in the tape itself is no echo, and hides none."""
    dry = drums(0.43)
    found = echo_of(dry, echoed(dry, 0.43, 0.3), RATE, 2.0)
    assert found is not None
    assert found.time_s == pytest.approx(0.43, abs=1e-4)
    assert echo_of(dry, 0.5 * dry, RATE, 2.0) is None


@pytest.mark.parametrize("level_db", [0.0, -20.0])
def test_an_echo_beside_the_dry_sound_and_noise_is_found(level_db: float) -> None:
    dry = drums(0.5)
    noise = 1e-3 * np.random.default_rng(9).standard_normal(FRAMES)
    found = echo_of(dry, dry + 10 ** (level_db / 20) * echoed(dry, 0.3721, 0.5) + noise, RATE, 2.0)
    assert found is not None
    assert found.time_s == pytest.approx(0.3721, abs=1e-4)


@pytest.mark.parametrize("seed", range(10))
def test_another_tape_is_no_echo(seed: int) -> None:
    assert echo_of(drums(0.5, 2 * seed), drums(0.5, 2 * seed + 1), RATE, 2.0) is None


def test_an_echo_within_one_mix_is_found_near_what_was_asked() -> None:
    """Only the mixer's main output can be heard."""
    dry = drums(0.5)
    mix = dry + 0.5 * echoed(dry, 0.3721, 0.4)
    found = echo_within(mix, RATE, 2.0, (0.34, 0.41))
    assert found is not None
    assert found.time_s == pytest.approx(0.3721, abs=2e-4)
    assert echo_within(dry, RATE, 2.0, (0.34, 0.41)) is None
    assert echo_within(mix, RATE, 2.0, (0.55, 0.65)) is None


def test_silence_has_no_echo_and_too_little_sound_is_refused() -> None:
    silence = np.zeros(FRAMES)
    assert echo_of(silence, silence, RATE, 2.0) is None
    assert echo_of(drums(0.5), silence, RATE, 2.0) is None
    assert echo_within(silence, RATE, 2.0, (0.1, 0.2)) is None
    with pytest.raises(ValueError, match="needs 6 s of sound"):
        echo_of(silence[:-1], silence[:-1], RATE, 2.0)
    with pytest.raises(ValueError, match="differ in shape"):
        echo_of(silence, silence[:-1], RATE, 2.0)
