"""A click is found where it is, to a fraction of a frame, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from bridge.measure.clicks import CLICK_S, LOUDEST_DB, QUIETEST_DB, find_beginning, find_click, make_click

RATE = 48_000


def shifted(click: NDArray[np.float32], at: float, frames: int) -> NDArray[np.float64]:
    """Place a click between frames: a shift of its phase by the law of the Fourier transform."""
    spectrum = np.fft.rfft(np.pad(click.astype(np.float64), (0, frames - len(click))))
    turns = np.exp(-2j * np.pi * np.arange(len(spectrum)) * at / frames)
    return np.asarray(np.fft.irfft(spectrum * turns, frames))


def noise(frames: int, rms_db: float, seed: int = 1) -> NDArray[np.float64]:
    return np.random.default_rng(seed).standard_normal(frames) * 10 ** (rms_db / 20)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("at", [100.0, 1234.25, 5000.5, 9876.7])
@pytest.mark.parametrize("noise_db", [-100.0, -50.0])
def test_a_click_is_found_between_frames_in_noise(rate: int, at: float, noise_db: float) -> None:
    """A click of -30 dB, 20 dB and more above the noise of the room: to a twentieth of a frame."""
    click = make_click(rate, -30.0)
    sound = shifted(click, at, 24_000) + noise(24_000, noise_db)
    found = find_click(sound, click, rate)
    assert found is not None
    assert found.delay_s * rate == pytest.approx(at, abs=0.05 if noise_db < -60 else 0.3)
    assert found.level_db == pytest.approx(-30.0, abs=0.5)
    assert not found.turned


def test_a_click_far_below_the_noise_is_found_to_a_frame_or_so() -> None:
    click = make_click(RATE, -40.0)
    errors = []
    for seed in range(20):
        at = 2000.0 + 77.3 * seed
        found = find_click(shifted(click, at, 24_000) + noise(24_000, -42.0, seed), click, RATE)
        assert found is not None
        errors.append(found.delay_s * RATE - at)
    assert np.std(errors) < 1.5


def test_a_click_that_is_upside_down_and_faint_is_found_and_said_to_be_so() -> None:
    click = make_click(RATE, -30.0)
    found = find_click(-0.1 * shifted(click, 700.5, 9000), click, RATE)
    assert found is not None
    assert found.turned
    assert found.delay_s * RATE == pytest.approx(700.5, abs=0.05)
    assert found.level_db == pytest.approx(-50.0, abs=0.5)


@pytest.mark.parametrize("seed", range(20))
def test_no_click_is_found_in_noise_or_hum_alone(seed: int) -> None:
    click = make_click(RATE, -30.0)
    time = np.arange(24_000) / RATE
    hum = 0.01 * np.sin(2 * np.pi * 50 * time + seed)
    for sound in (noise(24_000, -50.0, seed), hum, hum + noise(24_000, -70.0, seed), np.zeros(24_000)):
        assert find_click(sound, click, RATE) is None


@pytest.mark.parametrize("peak_db", [QUIETEST_DB, -30.0, LOUDEST_DB])
def test_a_click_fades_in_and_out_and_keeps_to_its_peak(peak_db: float) -> None:
    click = make_click(RATE, peak_db)
    assert len(click) == CLICK_S * RATE
    assert np.abs(click).max() == pytest.approx(10 ** (peak_db / 20), rel=1e-5)
    assert abs(click[0]) < 1e-6
    assert abs(click[-1]) < 1e-6
    assert np.abs(np.diff(click)).max() < np.abs(click).max()


@pytest.mark.parametrize("peak_db", [-61.0, -11.9, 0.0, 6.0, float("nan")])
def test_a_click_that_could_hurt_is_not_made(peak_db: float) -> None:
    with pytest.raises(ValueError, match=r"-60\.\.-12 dB"):
        make_click(RATE, peak_db)


def test_sound_that_is_no_longer_than_the_click_is_refused() -> None:
    click = make_click(RATE, -30.0)
    with pytest.raises(ValueError, match="cannot be found"):
        find_click(click, click, RATE)


@pytest.mark.parametrize("delay", [0, 1, 240, 9000])
def test_a_sound_that_nobody_knows_begins_where_it_leaves_the_silence(delay: int) -> None:
    sent = 9600
    sound = noise(24_000, -70.0)
    tone = 0.2 * np.cos(2 * np.pi * 220 * np.arange(24_000 - sent - delay) / RATE)
    sound[sent + delay :] += tone
    begun = find_beginning(sound, sent, RATE)
    assert begun is not None
    assert begun * RATE == pytest.approx(delay, abs=1)


def test_where_nothing_begins_nothing_is_found() -> None:
    assert find_beginning(noise(24_000, -70.0), 9600, RATE) is None
    assert find_beginning(np.zeros(24_000), 9600, RATE) is None


def test_a_room_that_is_loud_already_hides_what_is_fainter() -> None:
    sound = noise(24_000, -30.0)
    sound[12_000:] += 0.05 * np.cos(2 * np.pi * 220 * np.arange(12_000) / RATE)
    assert find_beginning(sound, 9600, RATE) is None


@pytest.mark.parametrize("sent", [0, 4799, 24_000])
def test_silence_before_and_sound_behind_are_needed(sent: int) -> None:
    with pytest.raises(ValueError, match="silence must lie before"):
        find_beginning(np.zeros(24_000), sent, RATE)
