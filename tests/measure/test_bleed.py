"""Bleed of a known level, with and without what else is playing."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.measure.bleed import bleed_db

RATE = 48_000
FRAMES = 10 * RATE


def noise(seed: int, rms_db: float = -20.0, frames: int = FRAMES):
    return np.random.default_rng(seed).standard_normal(frames) * 10 ** (rms_db / 20)


def tape(seed: int):
    """Coloured noise in bursts: something like a drum on a tape."""
    white = noise(seed)
    dull = np.convolve(white, np.exp(-np.arange(64) / 8.0))[:FRAMES]
    return dull * (np.sin(2 * np.pi * 1.7 * np.arange(FRAMES) / RATE) > 0)


@pytest.mark.parametrize("level", [-20.0, -40.0])
@pytest.mark.parametrize("source", [noise(1), tape(1)], ids=["noise", "tape"])
def test_bleed_into_a_silent_deck_is_measured(level: float, source) -> None:
    heard = source * 10 ** (level / 20) + noise(2, -75.0)
    assert bleed_db(source, heard) == pytest.approx(level, abs=0.5)


@pytest.mark.parametrize("sign", [1, -1])
def test_bleed_of_a_tenth_is_told_apart_from_what_the_deck_itself_plays(sign: int) -> None:
    """Both decks play equally loud, and the bleed may be upside down."""
    assert bleed_db(tape(1), sign * 0.1 * tape(1) + tape(2)) == pytest.approx(-20.0, abs=2.0)


def test_bleed_that_is_dull_and_a_little_late_counts() -> None:
    """Through a mixer: 40 frames late, without its heights."""
    source = noise(1)
    heard = np.convolve(source, np.concatenate([np.zeros(40), np.full(8, 0.1 / 8)]))[:FRAMES]
    kept_db = 20 * np.log10(np.sqrt(np.mean(heard**2)) / np.sqrt(np.mean(source**2)))
    assert bleed_db(source, heard) == pytest.approx(kept_db, abs=1.0)


@pytest.mark.parametrize("seed", range(5))
def test_two_decks_without_bleed_have_next_to_none(seed: int) -> None:
    """By chance they have something in common: it lies 25 dB down or lower."""
    assert bleed_db(tape(10 + seed), tape(20 + seed)) < -25.0


def test_silence_has_no_bleed() -> None:
    assert bleed_db(noise(1), np.zeros(FRAMES)) == -120.0
    assert bleed_db(np.zeros(FRAMES), noise(1)) == -120.0


def test_what_cannot_be_compared_is_refused() -> None:
    with pytest.raises(ValueError, match="differ in shape"):
        bleed_db(noise(1), noise(2, frames=FRAMES - 1))
    with pytest.raises(ValueError, match="pieces of 1024"):
        bleed_db(noise(1, frames=10_000), noise(2, frames=10_000))
