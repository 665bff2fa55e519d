"""What survives of sound when it is mixed, ridden in level, echoed and encoded: how each band rises and falls.

A pattern has 50 rows a second of ten bands, in units that no fader and no loudness changes.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

ROWS_PER_S = 50
BANDS = 10

PIECE_S = 60.0
"""Sound is looked at in pieces of this length."""

_LOWEST_HZ, _HIGHEST_HZ = 110.0, 5600.0
_WINDOW_S = 0.043
_AROUND_S = 0.6  # a band's level is told against its mean over so long
_CLIP_DB = 12.0
_FLOOR = 1e-12
_BELOW_LOUD = 1e-5  # what lies 50 dB below the sound of its surroundings is no pattern
_AT_ONCE = 1000

Pattern = NDArray[np.float32]


def rows_within(sound: NDArray[np.float32], rate: int, begin_s: float) -> tuple[int, NDArray[np.float32]]:
    """Return the band powers of a piece of sound on the grid of a time line.

    Args:
        sound: Shape (frames,).
        rate: Frames per second.
        begin_s: When its first frame sounds on the time line, in seconds.

    Returns:
        Number of its first row on the time line, 50 a second from 0, and the rows, shape (n, 10).
    """
    window = 2 ** round(np.log2(_WINDOW_S * rate))
    first = int(np.ceil(begin_s * ROWS_PER_S))
    last = int(np.floor((begin_s + len(sound) / rate) * ROWS_PER_S))
    grid = np.arange(first, max(first, last + 1))
    middles = np.round((grid / ROWS_PER_S - begin_s) * rate).astype(int)
    padded = np.pad(sound, window // 2 + 1)
    edges = np.geomspace(_LOWEST_HZ, min(_HIGHEST_HZ, 0.45 * rate), BANDS + 1)
    bins = np.maximum(1, np.round(edges * window / rate).astype(int))
    taper = np.hanning(window).astype(np.float32)
    rows = [
        _powers(padded[part[:, None] + np.arange(window)] * taper, bins)
        for part in np.array_split(middles, max(1, len(middles) // _AT_ONCE))
    ]
    return first, np.concatenate(rows) / np.float32(window**2)


def contrast(power: NDArray[np.float32]) -> Pattern:
    """Return a pattern of band powers: each band's level against its own surroundings, in 12 dB, -1..1.

    Args:
        power: Shape (n, 10); 0 where nothing was heard.
    """
    if not len(power):
        return np.zeros((0, BANDS), np.float32)
    around = int(_AROUND_S * ROWS_PER_S) | 1
    loud = ndimage.uniform_filter1d(power.mean(axis=1), 10 * ROWS_PER_S, mode="nearest")
    levels = 10.0 * np.log10(power + _FLOOR + _BELOW_LOUD * np.maximum(loud, 0.0)[:, None])
    against = levels - ndimage.uniform_filter1d(levels, around, axis=0, mode="nearest")
    return np.asarray(np.clip(against / _CLIP_DB, -1.0, 1.0), np.float32)


def pieces(blocks: Iterator[NDArray[np.float32]], rate: int, begin_s: float) -> Iterator[tuple[int, Pattern]]:
    """Yield `rows_within` of sound that comes in blocks of shape (frames,), about a minute at once."""
    waiting: list[NDArray[np.float32]] = []
    frames = done = 0
    for block in blocks:
        waiting.append(block)
        frames += len(block)
        if frames >= PIECE_S * rate:
            yield rows_within(np.concatenate(waiting), rate, begin_s + done / rate)
            waiting, done, frames = [], done + frames, 0
    if waiting:
        yield rows_within(np.concatenate(waiting), rate, begin_s + done / rate)


def laid(found: Iterator[tuple[int, Pattern]], rows: int) -> NDArray[np.float32]:
    """Return pieces of band powers laid on one time line of so many rows; what lies outside is left out."""
    line = np.zeros((rows, BANDS), np.float32)
    for first, part in found:
        begin, end = max(0, first), min(rows, first + len(part))
        if end > begin:
            line[begin:end] = part[begin - first : end - first]
    return line


def _powers(frames: NDArray[np.float32], bins: NDArray[np.intp]) -> NDArray[np.float32]:
    spectrum = np.abs(fft.rfft(frames, axis=1)) ** 2
    return np.asarray(np.add.reduceat(spectrum, bins, axis=1)[:, :BANDS], np.float32)
