"""Loudness as others measure it: the published cases, two other programs, and the laws of the gate."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from numpy.typing import NDArray

from bridge.review.loudness import Loudness, Meter, integrated, loudness_of, short_term

RATE = 48_000


def tone(parts: Sequence[tuple[float, float]], hz: float = 1000.0, rate: int = RATE, channels: int = 2) -> NDArray:
    """A tone at levels in dBFS (peak), each for some seconds, the same in all channels."""
    at, made = 0, []
    for level_db, seconds in parts:
        frames = round(seconds * rate)
        made.append(10 ** (level_db / 20) * np.sin(2 * np.pi * hz * (at + np.arange(frames)) / rate))
        at += frames
    return np.repeat(np.concatenate(made)[:, None], channels, axis=1).astype(np.float32)


def measured(sound: NDArray, rate: int = RATE, seed: int = 0) -> Loudness:
    """Measure sound in blocks of any size."""
    meter = Meter(rate, sound.shape[1])
    rng = np.random.default_rng(seed)
    done = 0
    while done < len(sound):
        block = int(rng.integers(1, 2 * rate))
        meter.hear(sound[done : done + block])
        done += block
    return loudness_of(meter.powers.sum(axis=1), float(meter.true_peaks.max()))


CASES = [
    ([(-23, 20)], -23.0),
    ([(-33, 20)], -33.0),
    ([(-36, 10), (-23, 60), (-36, 10)], -23.0),
    ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
    ([(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
]
"""EBU Tech 3341, minimum requirements 1 to 5: stereo 1 kHz, peak levels; wanted within 0.1 LU."""


@pytest.mark.parametrize(("parts", "wanted"), CASES)
def test_integrated_loudness_is_that_of_the_published_cases(parts, wanted):
    assert measured(tone(parts)).integrated == pytest.approx(wanted, abs=0.1)


@pytest.mark.parametrize(
    ("levels", "wanted"),
    [((-20, -30), 10), ((-20, -15), 5), ((-40, -20), 20), ((-50, -35, -20, -35, -50), 15)],
)
def test_the_loudness_range_is_that_of_the_published_cases(levels, wanted):
    """Source: EBU Tech 3342, minimum requirements 1 to 4, within 1 LU; each level lasts 20 s."""
    assert measured(tone([(level, 20) for level in levels])).range_lu == pytest.approx(wanted, abs=1.0)


def test_a_full_scale_tone_in_one_channel_is_3_01_below_full_loudness():
    """997 Hz at 0 dBFS in one channel: -3.01 LKFS. Source: ITU-R BS.1770-4, within 0.1."""
    assert measured(tone([(0, 20)], 997, channels=1)).integrated == pytest.approx(-3.01, abs=0.1)


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000, 96_000])
def test_another_program_measures_the_same_loudness(rate):
    """Second opinion: pyloudnorm, on noise that fades and comes back; within 0.1 LU."""
    rng = np.random.default_rng(3)
    swell = 0.1 * (1.2 + np.sin(np.arange(20 * rate) / rate))
    sound = (swell[:, None] * rng.normal(0, 0.5, (20 * rate, 2))).astype(np.float32)
    other = pyloudnorm.Meter(rate).integrated_loudness(sound.astype(float))
    assert measured(sound, rate).integrated == pytest.approx(other, abs=0.1)


def test_ffmpeg_measures_the_same_loudness_range_and_true_peak(tmp_path: Path):
    """Second opinion: the filter ebur128 of Debian's ffmpeg; its answers have one digit."""
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg is absent (Debian: apt-get install ffmpeg)")
    rng = np.random.default_rng(4)
    at = np.arange(30 * RATE) / RATE
    hits = np.exp(-9 * (at % 0.7)) * rng.normal(0, 0.12, len(at)) * (1 + (at > 15))
    sound = np.stack([hits, 0.1 * np.sin(2 * np.pi * 180 * at)], axis=1).astype(np.float32)
    soundfile.write(tmp_path / "x.wav", sound, RATE, subtype="FLOAT")
    command = ["ffmpeg", "-nostats", "-i", tmp_path / "x.wav", "-af", "ebur128=peak=true", "-f", "null", "-"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stderr.rpartition("Summary:")[2]
    ours = measured(sound)
    for ours_is, name, within in (
        (ours.integrated, "I", 0.1),
        (ours.range_lu, "LRA", 0.2),
        (ours.true_peak_db, "Peak", 0.2),
    ):
        theirs = float(re.search(rf"{name}:\s+(-?[\d.]+)", said)[1])
        assert ours_is == pytest.approx(theirs, abs=within), name


@pytest.mark.parametrize("degrees", [0, 30, 45, 60, 90])
def test_a_true_peak_between_the_frames_is_found(degrees):
    """A quarter of the rate at 45 degrees touches its peak in no frame: 3 dB are missing. Tech 3341: +0.2, -0.4 dB."""
    at = np.arange(RATE) / RATE
    wave = 0.5 * np.sin(2 * np.pi * 12_000 * at + np.radians(degrees)) * np.minimum(1, np.minimum(at, 1 - at) / 0.1)
    peak = measured(wave[:, None].astype(np.float32)).true_peak_db
    assert -6.02 - 0.4 < peak < -6.02 + 0.2


def test_blocks_of_any_size_measure_the_same():
    sound = tone([(-20, 3), (-30, 4)])
    one, other = measured(sound, seed=1), measured(sound, seed=2)
    assert one.integrated == pytest.approx(other.integrated, abs=1e-3)
    assert one.true_peak_db == other.true_peak_db


@pytest.mark.parametrize("rate", [11_025, 44_100, 48_000])
def test_steps_keep_in_time_at_any_rate(rate):
    """A rate that has no whole number of frames in 100 ms neither gains nor loses a step in five minutes."""
    meter = Meter(rate, 1)
    for _ in range(300):
        meter.hear(np.zeros((rate, 1), np.float32))
    assert len(meter.powers) in (2999, 3000)


def test_nothing_is_measured_of_silence_or_of_too_little():
    silence = measured(np.zeros((10 * RATE, 2), np.float32))
    assert (silence.integrated, silence.loudest, silence.range_lu, silence.true_peak_db) == (None, None, None, -120.0)
    assert measured(tone([(-20, 0.3)])).integrated is None
    assert loudness_of(np.zeros(0), None).true_peak_db is None


def test_a_gap_counts_for_nothing():
    """Blocks that reach into a gap are left out, so that two parts of one loudness are that of one."""
    loud = np.full(100, 0.005)
    with_gap = np.concatenate([loud, np.full(50, np.nan), loud])
    assert integrated(with_gap) == pytest.approx(integrated(loud))
    assert len(short_term(with_gap)) == 2 * len(short_term(loud))
