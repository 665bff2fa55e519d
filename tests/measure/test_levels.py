"""Levels, cut-off peaks, and inputs that are upside down."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.measure.levels import clipped_peaks, level, likeness

RATE = 48_000


def sine(peak: float, seconds: float = 1.0, hz: float = 441.0):
    return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)


@pytest.mark.parametrize("peak_db", [-60.0, -20.0, -1.0])
def test_a_sine_lies_3_db_below_its_peak(peak_db: float) -> None:
    """Root mean square of a sine: its peak less 3.01 dB (common practice, no source)."""
    told = level(sine(10 ** (peak_db / 20)), RATE)
    assert told.peak_db == pytest.approx(peak_db, abs=0.01)
    assert told.mean_db == pytest.approx(peak_db - 3.01, abs=0.01)
    assert told.loud_db == pytest.approx(peak_db - 3.01, abs=0.1)
    assert told.clipped == 0


def test_loud_parts_are_told_of_a_sound_that_is_mostly_silent() -> None:
    sound = np.zeros(10 * RATE)
    sound[: 2 * RATE] = sine(0.5, 2.0)
    told = level(sound, RATE)
    assert told.loud_db == pytest.approx(-9.03, abs=0.1)
    assert told.mean_db == pytest.approx(-9.03 - 6.99, abs=0.1)


def test_silence_and_nan_are_silent_and_an_offset_is_no_sound() -> None:
    for sound in (np.zeros(RATE), np.full(RATE, np.nan), np.full(RATE, 0.1)):
        told = level(sound, RATE)
        assert (told.loud_db, told.mean_db, told.clipped) == (-120.0, -120.0, 0)
    with pytest.raises(ValueError, match="one frame"):
        level(np.zeros(0), RATE)


@pytest.mark.parametrize("periods", [1, 10, 441])
def test_each_cut_off_peak_counts(periods: int) -> None:
    """A sine that is 6 dB too loud is cut off twice in each of its periods."""
    cut = np.clip(sine(2.0, periods / 441.0), -1.0, 1.0)
    assert clipped_peaks(cut) == 2 * periods


def test_runs_of_known_length() -> None:
    """Two samples at the end may be a peak that just fits; three are cut off."""
    sound = np.zeros(100)
    sound[10:12] = 1.0
    sound[20:23] = 1.0
    sound[30:60] = -1.0
    sound[97:] = 1.0
    assert clipped_peaks(sound) == 3
    sound[60:63] = 1.0  # from one end to the other: two peaks
    assert clipped_peaks(sound) == 4


def test_a_full_but_whole_sine_is_not_cut_off() -> None:
    assert clipped_peaks(sine(0.998)) == 0


def test_likeness_of_the_same_the_other_way_round_and_strangers() -> None:
    rng = np.random.default_rng(1)
    one, other = rng.standard_normal((2, RATE))
    assert likeness(one, 0.1 * one + 3.0) == pytest.approx(1.0)
    assert likeness(one, -one) == pytest.approx(-1.0)
    assert likeness(one, other) == pytest.approx(0.0, abs=0.02)
    assert likeness(one, one + other) == pytest.approx(0.7071, abs=0.02)
    assert likeness(one, np.zeros(RATE)) == 0.0
