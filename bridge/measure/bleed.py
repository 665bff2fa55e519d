"""How much of one sound is in another: bleed from deck to deck, told apart from what the other deck plays itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge.units import SILENCE_DB, level_db

PIECE = 1024
"""Frames in one piece of sound: bleed comes within less of it, so that its echoes do not count."""

FEWEST = 32
"""Fewer pieces tell nothing."""


def bleed_db(source: NDArray[np.floating], heard: NDArray[np.floating]) -> float:
    """Return how loud ``source`` is within ``heard``, in dB beside ``source`` itself; -120 where nothing can be told.

    In each band the part of ``heard`` that goes with ``source`` is taken, whatever else is in there, and what two
    strange sounds have in common by chance over so many pieces is taken off. In ten seconds bleed can be told 25 dB
    below a deck that plays itself, and as far down as its noise where it is silent.

    Args:
        source: Shape (frames,), what bleeds.
        heard: Shape (frames,), what it bleeds into, at the same time.

    Raises:
        ValueError: The shapes differ, or there are fewer than 33 half overlapping pieces of 1024 frames.

    Source: the coherent output spectrum, J. S. Bendat and A. G. Piersol, "Random Data", chapter 6.
    """
    if source.shape != heard.shape:
        raise ValueError(f"the two sounds differ in shape: {source.shape} and {heard.shape}")
    a, b = _pieces(source), _pieces(heard)
    own, other = np.mean(np.abs(a) ** 2, axis=0), np.mean(np.abs(b) ** 2, axis=0)
    both = np.abs(np.mean(np.conj(a) * b, axis=0)) ** 2
    independent = len(a) * 0.94  # pieces that half overlap under this window are nearly independent: Welch, 1967
    with np.errstate(divide="ignore", invalid="ignore"):
        common = np.where(own > 0, both / own, 0.0)
    by_chance = (other - common) / (independent - 1)
    power, whole = float(np.sum(common - by_chance)), float(np.sum(own))
    if not (power > 0 and whole > 0):
        return SILENCE_DB
    return level_db(float(np.sqrt(power / whole)))


def _pieces(sound: NDArray[np.floating]) -> NDArray[np.complex128]:
    """Return the spectra of half overlapping pieces, shape (pieces, bins), without what is below the second bin."""
    heard = np.nan_to_num(np.asarray(sound, dtype=np.float64))
    count = (len(heard) - PIECE) // (PIECE // 2) + 1
    if not count >= FEWEST:
        raise ValueError(f"bleed needs {FEWEST} pieces of {PIECE} frames or more, got {len(heard)} frames")
    shaped = np.lib.stride_tricks.sliding_window_view(heard, PIECE)[:: PIECE // 2] * np.hanning(PIECE)
    return np.asarray(np.fft.rfft(shaped, axis=1)[:, 2:])
