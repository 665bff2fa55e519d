"""Onset strength."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.follow.activation import LATENESS, MEMORY, Activation
from bridge.follow.belief import onset_near
from bridge.follow.features import Features, hop_frames


def onsets_of(sound: np.ndarray, rate: int) -> Activation:
    activation = Activation()
    for hop in Features(rate).hear(sound.astype(np.float32)):
        activation.hear(hop)
    return activation


@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100, 48_000, 96_000])
def test_a_click_is_placed_within_6_ms_at_any_rate(rate):
    """6 ms: a displaced tone is noticed from there on (CHECK_VALUES 9: Friberg & Sundberg 1995)."""
    rng = np.random.default_rng(1)
    hop = hop_frames(rate)
    sound = rng.normal(0, 0.002, 12 * rate)
    clicks = np.arange(0.5, 11.6, 0.6137) * rate
    decay = np.exp(-np.arange(rate // 10) / (0.02 * rate))
    for click in clicks:
        sound[int(click) : int(click) + len(decay)] += rng.normal(0, 0.3, len(decay)) * decay
    onsets = onsets_of(sound, rate).recent(MEMORY)
    late_s = []
    for click in clicks[-8:-1]:
        expected = (len(sound) // hop * hop - click) / hop - LATENESS
        age, height = onset_near(onsets, expected, 8.0)
        assert height > 0.2
        late_s.append((expected - age) * hop / rate)
    assert abs(np.median(late_s)) < 0.006
    assert np.ptp(late_s) < 0.012


def test_a_soft_hat_over_a_loud_bass_counts():
    """Each half octave is measured against itself: 30 dB below the bass, the hats still stand out."""
    rate = 44_100
    time_s = np.arange(6 * rate) / rate
    bass = 0.5 * np.sin(2 * np.pi * 70 * time_s)
    hats = np.zeros_like(bass)
    rng = np.random.default_rng(1)
    for hit in np.arange(0.25, 5.9, 0.5):
        first = round(hit * rate)
        hats[first : first + 2000] = 0.015 * np.diff(rng.standard_normal(2001)) * np.exp(-np.arange(2000) / 500)
    plain, struck = onsets_of(bass, rate).recent(MEMORY), onsets_of(bass + hats, rate).recent(MEMORY)
    assert struck.std() > 10 * plain.std()


def test_it_remembers_no_more_than_six_seconds_and_forgets_on_demand():
    activation = onsets_of(np.random.default_rng(1).normal(0, 0.1, 44_100 * 14), 44_100)
    assert len(activation.recent(2 * MEMORY)) <= 2 * MEMORY
    assert len(activation.recent(MEMORY)) == MEMORY
    activation.forget()
    assert len(activation.recent(MEMORY)) == 0
