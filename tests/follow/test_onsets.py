"""Onset strength."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.follow.features import Features
from bridge.follow.onsets import Onsets


def onsets_of(sound: np.ndarray, rate: int) -> np.ndarray:
    onsets = Onsets()
    return np.array([onsets.hear(hop.tones_db) for hop in Features(rate).hear(sound.astype(np.float32))])


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000, 96_000])
def test_a_click_shows_within_two_hops_at_any_rate(rate):
    rng = np.random.default_rng(1)
    hop = round(rate / 100)
    sound = rng.normal(0, 0.002, 12 * rate)
    clicks = np.arange(0.5, 11.6, 0.6137) * rate
    decay = np.exp(-np.arange(rate // 10) / (0.02 * rate))
    for click in clicks:
        sound[int(click) : int(click) + len(decay)] += rng.normal(0, 0.3, len(decay)) * decay
    heard = onsets_of(sound, rate)
    for click in clicks[8:-1]:
        at = int(click / hop)
        peak = at - 5 + int(np.argmax(heard[at - 5 : at + 10]))
        assert 0 <= peak - at <= 3
        assert heard[peak] > 3 * np.median(heard)


def test_the_level_does_not_count():
    rng = np.random.default_rng(2)
    sound = rng.normal(0, 1, 4 * 44_100) * (0.01 + 0.3 * (np.arange(4 * 44_100) % 22_050 < 4000))
    loud, soft = onsets_of(sound, 44_100), onsets_of(sound * 0.3, 44_100)
    assert soft[100:] == pytest.approx(loud[100:], rel=0.1, abs=0.2)


def test_a_soft_hat_over_a_loud_bass_counts():
    """Each band is measured against itself: 30 dB below the bass, the hats still stand out."""
    rate = 44_100
    time_s = np.arange(6 * rate) / rate
    bass = 0.5 * np.sin(2 * np.pi * 70 * time_s)
    hats = np.zeros_like(bass)
    rng = np.random.default_rng(1)
    for hit in np.arange(0.25, 5.9, 0.5):
        first = round(hit * rate)
        hats[first : first + 2000] = 0.015 * np.diff(rng.standard_normal(2001)) * np.exp(-np.arange(2000) / 500)
    struck = onsets_of(bass + hats, rate)[200:]
    assert struck.max() > 3 * np.median(struck)
