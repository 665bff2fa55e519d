"""A recording is found on its take, with its drop-outs and its clock; what is of another evening is not."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.review.align import Alignment, Stretch, align
from bridge.review.patterns import BANDS, ROWS_PER_S, Pattern


def evening(seed: int, seconds: float = 900.0) -> Pattern:
    rng = np.random.default_rng(seed)
    rough = rng.normal(0, 0.4, (round(seconds * ROWS_PER_S), BANDS))
    smooth = np.stack([np.convolve(line, np.hanning(7) / 3, mode="same") for line in rough.T], axis=1)
    return smooth.astype(np.float32)


def recorded(take: Pattern, stretches: list[tuple[float, float, float]], ppm: float, noise: float) -> Pattern:
    """Rows of a recording: begin, end in the recording and offset of each stretch, in seconds."""
    rng = np.random.default_rng(9)
    parts = []
    for begin, end, offset in stretches:
        at = np.arange(round(begin * ROWS_PER_S), round(end * ROWS_PER_S)) / ROWS_PER_S
        rows = (at * (1 + 1e-6 * ppm) + offset) * ROWS_PER_S
        parts.append(np.stack([np.interp(rows, np.arange(len(take)), line) for line in take.T], axis=1))
    whole = np.concatenate(parts)
    return (whole + rng.normal(0, noise, whole.shape)).astype(np.float32)


def test_offset_clock_and_three_drop_outs_are_found() -> None:
    take = evening(1)
    truth = [(0.0, 130.0, 111.1), (130.0, 260.0, 114.6), (260.0, 300.0, 131.0), (300.0, 500.0, 131.7)]
    found = align(take, recorded(take, truth, 180.0, 0.5))
    assert found is not None
    assert found.sure > 0.9
    assert found.ppm == pytest.approx(180.0, abs=15.0)
    assert len(found.stretches) == 4
    for stretch, (begin, end, offset) in zip(found.stretches, truth, strict=True):
        assert stretch.begin_s == pytest.approx(begin, abs=0.3)
        middle = (begin + end) / 2
        assert found.in_take(middle) == pytest.approx(middle * (1 + 180e-6) + offset, abs=0.02)


def test_a_recording_that_began_before_the_take_and_went_on_after_it_is_found() -> None:
    take = evening(2, 300.0)
    quiet = np.zeros((60 * ROWS_PER_S, BANDS), np.float32)
    found = align(take, np.concatenate([quiet, recorded(take, [(0.0, 300.0, 0.0)], 0.0, 0.3), quiet]))
    assert found is not None
    assert found.sure > 0.9
    assert found.in_recording(0.0) == pytest.approx(60.0, abs=0.05)


def test_another_evening_is_not_called_sure() -> None:
    for seed in range(5):
        found = align(evening(3), evening(10 + seed, 300.0))
        assert found is None or found.sure < 0.5


def test_too_little_is_not_answered() -> None:
    assert align(evening(4), evening(4, 5.0)) is None
    assert align(evening(4, 10.0), evening(4, 60.0)) is None
    assert align(np.zeros((0, BANDS), np.float32), evening(4, 60.0)) is None
    assert align(evening(4), np.zeros((3000, BANDS), np.float32)) is None


def test_moments_are_carried_both_ways_and_what_dropped_out_is_where_it_goes_on() -> None:
    found = Alignment(
        stretches=(Stretch(begin_s=0, end_s=100, offset_s=50), Stretch(begin_s=100, end_s=200, offset_s=60)),
        ppm=0.0,
        sure=1.0,
    )
    assert found.in_take(99.0) == 149.0
    assert found.in_take(100.0) == 160.0
    assert found.in_recording(40.0) == -10.0
    assert found.in_recording(120.0) == 70.0
    assert found.in_recording(155.0) == 100.0
    assert found.in_recording(165.0) == 105.0
    assert found.in_recording(300.0) == 240.0
