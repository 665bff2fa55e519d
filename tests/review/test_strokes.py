"""A cut is moved on to strokes that are there, and left alone where there are none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from bridge.review.strokes import moved, rises_of

RATE = 16_000
BEAT_S = 0.7
BEATS = 8


def struck(strokes_s: NDArray[np.float64], seed: int = 1) -> NDArray[np.float64]:
    """Hiss with a stroke at each of these seconds, each of its own loudness in a bar of four; shape (frames, 1)."""
    rng = np.random.default_rng(seed)
    at = np.arange(round(9 * RATE)) / RATE
    sound = 0.001 * rng.normal(size=len(at))
    for n, stroke in enumerate(strokes_s):
        since = at - stroke
        sound += (0.8, 0.2, 0.5, 0.3)[n % 4] * np.exp(-40 * since) * np.sin(2 * np.pi * 900 * since) * (since >= 0)
    return sound[:, None]


STROKES_S = 1.0 + BEAT_S * np.arange(-1, BEATS + 3)
BEATS_S = 1.0 + BEAT_S * np.arange(BEATS + 1)


@pytest.mark.parametrize("late_ms", [-30, -9, 9, 30])
def test_beats_that_are_late_or_early_are_moved_on_to_the_strokes(late_ms: float) -> None:
    found = moved(rises_of(struck(STROKES_S), RATE), BEATS_S + late_ms / 1000)
    assert 1000 * found.begin_s == pytest.approx(-late_ms, abs=2)
    assert 1000 * found.end_s == pytest.approx(-late_ms, abs=2)


@pytest.mark.parametrize("long_ms", [-80, -20, 20, 80])
def test_a_loop_that_is_too_long_or_short_goes_on_at_its_end_as_at_its_begin(long_ms: float) -> None:
    found = moved(rises_of(struck(STROKES_S), RATE), BEATS_S + np.linspace(0, long_ms / 1000, BEATS + 1))
    assert 1000 * (found.end_s - found.begin_s) == pytest.approx(-long_ms, abs=2)


def test_beats_that_are_right_stay_where_they_are() -> None:
    found = moved(rises_of(struck(STROKES_S), RATE), BEATS_S)
    assert (found.begin_s, found.end_s) == (0.0, 0.0)


def test_a_bed_without_strokes_moves_nothing() -> None:
    at = np.arange(9 * RATE) / RATE
    bed = 0.3 * np.sin(2 * np.pi * 110 * at) * (1 + 0.3 * np.sin(2 * np.pi * 0.3 * at))
    bed += 0.003 * np.random.default_rng(2).normal(size=len(at))
    found = moved(rises_of(bed[:, None], RATE), BEATS_S)
    assert (found.begin_s, found.end_s) == (0.0, 0.0)


def test_silence_and_a_moment_of_sound_have_no_rises() -> None:
    assert not rises_of(np.zeros((RATE, 2)), RATE).any()
    assert not rises_of(np.zeros((3, 2)), RATE).any()
