"""The front end's promises."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.follow.features import HOPS_PER_S, Features, Hop, hop_frames
from tests.follow.sounds import RATE, drums

RATES = (8_000, 22_050, 44_100, 48_000, 96_000, 192_000)
SOUND = drums("gravel-path", 84.0, 2.0)


def all_of(hops: list[Hop]) -> list[tuple[int, float, bytes]]:
    return [(hop.frame, hop.level_db, hop.power.tobytes()) for hop in hops]


WHOLE = all_of(Features(RATE).hear(SOUND))


@settings(max_examples=25, deadline=None)
@given(blocks=st.lists(st.integers(1, 5000), min_size=1, max_size=20))
def test_hops_are_bit_identical_however_the_sound_is_cut_into_blocks(blocks):
    features, hops, start, turn = Features(RATE), [], 0, 0
    while start < len(SOUND):
        block = blocks[turn % len(blocks)] + 31
        hops += features.hear(SOUND[start : start + block])
        start, turn = start + block, turn + 1
    assert all_of(hops) == WHOLE


def test_single_frames_and_empty_blocks_are_taken():
    features = Features(RATE)
    hops = [hop for frame in range(1100) for hop in features.hear(SOUND[frame : frame + 1]) + features.hear(SOUND[:0])]
    assert all_of(hops) == WHOLE[:2]


@pytest.mark.parametrize("rate", RATES)
def test_a_sine_of_full_scale_reads_minus_3_db_and_stands_in_its_own_band(rate):
    """RMS of a sine is 3.01 dB below its peak (definition)."""
    hertz = 1000.0
    sine = np.sin(2 * np.pi * hertz * np.arange(rate) / rate).astype(np.float32)
    features = Features(rate)
    hop = features.hear(sine)[-1]
    assert hop.level_db == pytest.approx(-3.01, abs=0.2)
    loudest = int(np.argmax(hop.bands))
    assert features.edges_hz[loudest] <= hertz <= features.edges_hz[loudest + 1]
    assert hop.frame == len(sine) // features.hop * features.hop


@pytest.mark.parametrize("rate", RATES)
def test_hops_come_at_one_pace_at_any_rate(rate):
    assert rate / hop_frames(rate) == pytest.approx(HOPS_PER_S, rel=0.01)


@pytest.mark.parametrize("rate", RATES)
def test_bands_are_six_an_octave_and_end_below_half_the_rate(rate):
    edges = Features(rate).edges_hz
    assert edges[6] / edges[0] == pytest.approx(2.0)
    assert edges[-1] < rate / 2
    assert edges[-1] >= 3_800


def test_not_finite_samples_count_as_silence_and_are_counted():
    broken = SOUND.copy()
    mended = SOUND.copy()
    broken[1000], broken[20_000], broken[20_001] = np.nan, np.inf, -np.inf
    mended[[1000, 20_000, 20_001]] = 0.0
    features = Features(RATE)
    assert all_of(features.hear(broken)) == all_of(Features(RATE).hear(mended))
    assert features.not_finite == 3


def test_absurdly_loud_samples_leave_every_number_finite():
    hops = Features(RATE).hear(np.full(RATE, 3e38, np.float32))
    assert all(np.isfinite(hop.level_db) and np.isfinite(hop.power).all() for hop in hops)


def test_a_steady_offset_is_no_level():
    """An interface's DC offset must not keep a stopped deck awake."""
    hops = Features(RATE).hear(np.full(20 * RATE, 0.01, np.float32))
    assert hops[-1].level_db < -80


@pytest.mark.parametrize("rate", [0, 7_999, 192_001, float("nan")])
def test_rates_out_of_range_are_refused(rate):
    with pytest.raises(ValueError, match=r"8000\.\.192000"):
        Features(rate)


def test_sound_with_channels_is_refused():
    with pytest.raises(ValueError, match="frames"):
        Features(RATE).hear(np.zeros((10, 2), np.float32))
