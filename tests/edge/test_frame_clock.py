"""The loop from frame counts to host time, under the jitter of real systems."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.edge.frame_clock import ASTRAY_S, FrameClock

RATE = 48_000


def arrivals(seconds: float, frames: int = 256, jitter_s: float = 0.02, ppm: float = 0.0, seed: int = 1) -> np.ndarray:
    """Host times at which blocks arrive, 0 to ``jitter_s`` late, from a device whose clock is off by ``ppm``."""
    count = int(seconds * RATE / frames)
    ends = np.arange(1, count + 1) * frames / RATE / (1 + ppm * 1e-6)
    return ends + np.random.default_rng(seed).uniform(0, jitter_s, count)


def errors(
    clock: FrameClock, arrived: np.ndarray, frames: int = 256, jitter_s: float = 0.02, ppm: float = 0.0
) -> np.ndarray:
    """How far each block is placed from its true begin, in seconds; the mean lateness of arrivals cannot be known."""
    begins = np.array([clock.block(frames, at) for at in arrived])
    return begins - np.arange(len(arrived)) * frames / RATE / (1 + ppm * 1e-6) - jitter_s / 2


@pytest.mark.parametrize(
    ("frames", "std_s", "worst_s"), [(32, 0.0003, 0.001), (256, 0.0006, 0.002), (4096, 0.002, 0.007)]
)
@pytest.mark.parametrize("seed", range(5))
def test_little_is_left_of_jitter_of_20_ms(frames: int, std_s: float, worst_s: float, seed: int) -> None:
    """Its standard deviation is 5.8 ms; a tenth is left at most, a third where blocks are long and few."""
    off = errors(FrameClock(RATE), arrivals(60, frames, seed=seed), frames)[int(5 * RATE / frames) :]
    assert off.std() < std_s
    assert abs(off).max() < worst_s


def test_it_is_near_the_truth_within_two_seconds() -> None:
    off = errors(FrameClock(RATE), arrivals(4))[int(2 * RATE / 256) :]
    assert abs(off).max() < 0.0015


@pytest.mark.parametrize("ppm", [-500.0, 80.0, 500.0])
def test_a_device_that_counts_wrong_is_followed_and_its_rate_measured(ppm: float) -> None:
    clock = FrameClock(RATE)
    off = errors(clock, arrivals(120, ppm=ppm, jitter_s=0.002), jitter_s=0.002, ppm=ppm)[int(60 * RATE / 256) :]
    assert abs(off).max() < 0.001
    assert clock.rate / RATE == pytest.approx(1 + ppm * 1e-6, abs=50e-6)


def test_without_jitter_blocks_are_placed_exactly() -> None:
    assert abs(errors(FrameClock(RATE), arrivals(10, jitter_s=0), jitter_s=0)).max() < 1e-9


def test_after_a_gap_it_starts_anew_where_the_sound_goes_on() -> None:
    """The first block behind a gap is placed by its own arrival, and the rate is still known."""
    clock = FrameClock(RATE)
    arrived = arrivals(30, ppm=200, jitter_s=0.001)
    for at in arrived:
        clock.block(256, at)
    rate = clock.rate
    clock.restart()
    assert clock.expected(256) is None
    assert clock.block(256, arrived[-1] + 7.5) == pytest.approx(arrived[-1] + 7.5 - 256 / rate)
    assert clock.rate == rate


def test_frames_that_are_known_to_be_missing_leave_the_rest_where_it_belongs() -> None:
    clock = FrameClock(RATE)
    arrived = arrivals(10, jitter_s=0.0)
    begins = []
    for index, at in enumerate(arrived):
        if index == 1000:
            clock.skip(500 * 256)
        if not 1000 <= index < 1500:
            begins.append(clock.block(256, at))
    assert begins[1000] == pytest.approx(1500 * 256 / RATE)


def test_a_stall_of_the_system_hardly_bends_time() -> None:
    """Blocks that come up to half a second late, all at once, are placed where they belong."""
    arrived = arrivals(30, jitter_s=0)
    stalled = np.where((arrived > 20) & (arrived < 20.5), 20.5, arrived)
    assert abs(errors(FrameClock(RATE), stalled, jitter_s=0)).max() < 0.002


def test_when_time_itself_has_jumped_it_follows_within_moments() -> None:
    """A suspended system: the device counts on where it was, ten seconds later."""
    clock = FrameClock(RATE)
    arrived = arrivals(20, jitter_s=0.001)
    arrived[arrived > 10] += 10.0
    off = errors(clock, arrived, jitter_s=0.001)
    assert off[int((10 + ASTRAY_S + 0.1) * RATE / 256) :] == pytest.approx(10.0, abs=0.001)


@given(
    blocks=st.lists(st.tuples(st.integers(1, 4096), st.floats(-1, 1), st.booleans()), max_size=200),
    begin=st.floats(0, 1e6),
)
@settings(max_examples=50)
def test_blocks_only_move_forward_whatever_arrives_when(blocks: list[tuple[int, float, bool]], begin: float) -> None:
    """However wild the jitter, and with gaps, each block begins after the one before it."""
    clock, arrived, begins = FrameClock(RATE), begin, []
    for frames, jitter, gap in blocks:
        arrived += frames / RATE
        if gap:
            clock.restart()
        begins.append(clock.block(frames, arrived + jitter))
    assert all(before < after for before, after in pairwise(begins))


@pytest.mark.parametrize("rate", [0.0, -1.0, float("nan"), float("inf")])
def test_a_rate_that_is_none_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match="rate"):
        FrameClock(rate)


@pytest.mark.parametrize(("frames", "at"), [(0, 1.0), (256, float("nan")), (256, float("inf"))])
def test_a_block_that_is_none_is_refused(frames: int, at: float) -> None:
    with pytest.raises(ValueError, match="a block needs"):
        FrameClock(RATE).block(frames, at)
