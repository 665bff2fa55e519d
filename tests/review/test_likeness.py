"""Two patterns are alike where they are the same, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.review.likeness import likeness_at_lags, near, part, spectrum_of, sureness
from bridge.review.patterns import BANDS, ROWS_PER_S, Pattern


def pattern(rows: int, seed: int = 1) -> Pattern:
    return np.random.default_rng(seed).normal(0, 0.3, (rows, BANDS)).astype(np.float32)


@given(st.integers(0, 2000))
def test_a_window_is_wholly_like_its_own_place(first: int) -> None:
    take = pattern(2500)
    lags = likeness_at_lags(take, take[first : first + 500], spectrum_of(take))
    assert len(lags) == 2001
    assert int(np.argmax(lags)) == first
    assert lags[first] == pytest.approx(1.0, abs=1e-3)
    assert np.sort(lags)[-2] < 0.2


def test_loudness_changes_nothing_and_a_still_take_is_like_nothing() -> None:
    take = pattern(1000)
    np.testing.assert_allclose(likeness_at_lags(take, 0.01 * take[:200]), likeness_at_lags(take, take[:200]), atol=1e-4)
    assert np.abs(likeness_at_lags(np.zeros((1000, BANDS), np.float32), take[:200])).max() < 1e-6


def test_a_place_between_two_rows_is_found_to_a_fraction_of_a_row() -> None:
    rng = np.random.default_rng(3)
    fine = np.repeat(rng.normal(0, 0.3, (600, BANDS)), 10, axis=0)
    smooth = np.stack([np.convolve(line, np.hanning(60), mode="same") for line in fine.T], axis=1).astype(np.float32)
    take, recording = smooth[::10], smooth[1004 : 1004 + 3000 : 10]  # 100.4 rows later
    like, offset = near(take, recording, 0, 300, 100 / ROWS_PER_S, 5)
    assert like > 0.9
    assert offset * ROWS_PER_S == pytest.approx(100.4, abs=0.1)


@pytest.mark.parametrize(("begin", "end"), [(-5, 3), (-9, -2), (8, 14), (20, 25), (2, 6)])
def test_parts_outside_are_still(begin: int, end: int) -> None:
    whole = pattern(10)
    found = part(whole, begin, end)
    assert len(found) == end - begin
    for row, values in zip(range(begin, end), found, strict=True):
        np.testing.assert_array_equal(values, whole[row] if 0 <= row < 10 else np.zeros(BANDS))


def test_an_exact_loop_is_not_called_sure() -> None:
    """Whatever repeats without any difference cannot tell one time round from the next."""
    loop = np.tile(pattern(100), (60, 1))
    windows = [(n, n + 1000) for n in range(0, 2500, 500)]
    sure, like = sureness(loop, loop[:3500], windows, [(0.0, 70.0, 0.0)], 0.0, [0.0, 2.0])
    assert like > 0.99
    assert sure < 0.5
    sure, _ = sureness(pattern(6000), pattern(6000)[:3500], windows, [(0.0, 70.0, 0.0)], 0.0, [0.0, 2.0])
    assert sure > 0.95
