"""A pattern is that of the sound, whatever its loudness, its rate and its blocks."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from bridge.review.patterns import BANDS, ROWS_PER_S, Pattern, contrast, laid, pieces, rows_within


def sound(rate: int, seconds: float = 20.0) -> NDArray[np.float32]:
    """Noise whose bands rise and fall."""
    rng = np.random.default_rng(5)
    base = rng.normal(0, 0.1, round(seconds * 44_100))
    knots = np.arange(0, len(base), 9000)
    swell = np.interp(np.arange(len(base)), knots, rng.uniform(0.05, 1.0, len(knots)))
    low = signal.sosfilt(signal.butter(2, 800, fs=44_100, output="sos"), base) * swell[::-1]
    return signal.resample_poly(low + 0.5 * base * swell, rate, 44_100).astype(np.float32)


def pattern(samples: NDArray[np.float32], rate: int, begin_s: float = 0.0) -> Pattern:
    return contrast(laid(pieces(iter(np.array_split(samples, 7)), rate, begin_s), 25 * ROWS_PER_S))


def likeness(one: Pattern, other: Pattern) -> float:
    return float(np.corrcoef(one.ravel(), other.ravel())[0, 1])


def test_neither_loudness_nor_rate_matters() -> None:
    mine = pattern(sound(44_100), 44_100)
    assert mine.shape == (25 * ROWS_PER_S, BANDS)
    assert np.abs(mine).max() <= 1.0
    assert likeness(mine, pattern(0.05 * sound(44_100), 44_100)) > 0.97
    assert likeness(mine, pattern(sound(16_000), 16_000)) > 0.9


def test_a_later_begin_moves_the_pattern_by_as_much() -> None:
    samples = sound(16_000)
    assert likeness(pattern(samples, 16_000)[: -3 * ROWS_PER_S], pattern(samples, 16_000, 3.0)[3 * ROWS_PER_S :]) > 0.95


def test_rows_are_numbered_on_the_time_line() -> None:
    first, rows = rows_within(sound(16_000, 2.0), 16_000, 10.013)
    assert first == 501
    assert len(rows) == pytest.approx(100, abs=1)


def test_silence_and_nothing_make_still_patterns() -> None:
    assert np.abs(contrast(np.zeros((100, BANDS), np.float32))).max() < 1e-6
    assert contrast(np.zeros((0, BANDS), np.float32)).shape == (0, BANDS)
    assert rows_within(np.zeros(0, np.float32), 16_000, 0.0)[1].shape[1] == BANDS
