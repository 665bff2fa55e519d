"""Beats against frames."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.follow.timeline import Timeline

RATE = 48_000


def fed(tempos: np.ndarray, first: float = 90.0, jitter: float = 0.0) -> Timeline:
    """Return a timeline that saw an onset at each beat of these tempos, each off by a drawn part of a beat."""
    line = Timeline(RATE, 0.0, 0, first)
    rng = np.random.default_rng(1)
    frames = np.cumsum(60.0 * RATE / tempos)
    for beat, frame in enumerate(frames, start=1):
        line.saw(beat, frame + jitter * rng.standard_normal() * 60.0 * RATE / tempos[beat - 1])
    return line


@given(frame=st.floats(0, 1e9), tempo=st.floats(20, 400), beats=st.floats(-100, 100))
def test_frame_of_and_beat_at_are_inverses(frame, tempo, beats):
    line = Timeline(RATE, frame, 7, tempo)
    assert line.beat_at(line.frame_of(beats)) == pytest.approx(beats, abs=1e-3)


@given(tempo=st.floats(60.0, 120.0), off=st.floats(-0.03, 0.03))
def test_a_steady_tape_is_learnt_within_eight_beats(tempo, off):
    line = fed(np.full(12, tempo), first=tempo * (1 + off))
    assert line.tempo == pytest.approx(tempo, rel=0.002)
    assert line.beat_at(12 * 60.0 * RATE / tempo) == pytest.approx(12, abs=0.01)


def test_one_stray_onset_hardly_moves_the_line():
    line = fed(np.full(12, 84.0), first=84.0)
    period = 60.0 * RATE / 84.0
    line.saw(13, 13 * period + 0.1 * period)
    assert line.tempo == pytest.approx(84.0, rel=0.01)
    assert line.beat_at(13 * period) == pytest.approx(13, abs=0.04)


def test_a_drift_of_three_percent_in_fifty_beats_is_tracked_within_half_a_percent():
    tempos = np.linspace(84.0, 86.5, 50)
    for beats in range(10, 50):
        assert fed(tempos[:beats], first=84.0).tempo == pytest.approx(tempos[beats - 1], rel=0.005)


def test_a_varispeed_ride_turns_the_line_faster_than_a_steady_tape_would():
    """15 % in ten beats: the line leans, and is fitted to fewer onsets."""
    tempos = np.concatenate([np.full(10, 84.0), np.linspace(84.0, 96.6, 10), np.full(5, 96.6)])
    assert fed(tempos[:20], first=84.0).tempo == pytest.approx(96.6, rel=0.04)
    assert fed(tempos, first=84.0).tempo == pytest.approx(96.6, rel=0.01)


def test_a_loose_hand_is_averaged():
    assert fed(np.full(40, 84.0), first=84.0, jitter=0.01).tempo == pytest.approx(84.0, rel=0.006)
