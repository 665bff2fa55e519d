"""How loud an input is, whether it clips, and whether one of two inputs is upside down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.units import level_db

Sound = NDArray[np.floating]

FULL = 0.999
"""A sample at or above this, of full scale, is at the end of the converter's range: the last step of 11 bits."""

CLIPPED_RUN = 3
"""So many samples in a row at the end of the range are a peak that was cut off."""

LOUD = 95
"""Percentile of the tenths of a second that stands for how loud the loud parts are."""

PART_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """How loud one input was.

    Attributes:
        peak_db: The highest sample, in dB relative to full scale.
        loud_db: The loud parts: the root mean square that one tenth of a second in twenty passes, in dB.
        mean_db: Root mean square of all, in dB.
        clipped: Peaks that were cut off.
    """

    peak_db: float
    loud_db: float
    mean_db: float
    clipped: int


def level(sound: Sound, rate: int) -> Level:
    """Return how loud a sound is; NaN counts as silence, and a constant offset does not count.

    Args:
        sound: Shape (frames,), 1 or more; full scale is 1.
        rate: Frames per second.

    Raises:
        ValueError: There are no frames.
    """
    if not len(sound) >= 1:
        raise ValueError("a level needs one frame of sound or more")
    raw = np.nan_to_num(np.asarray(sound, dtype=np.float64))
    heard = raw - raw.mean()
    part = max(1, min(len(heard), round(PART_S * rate)))
    whole = heard[: len(heard) // part * part].reshape(-1, part)
    loud = float(np.percentile(np.sqrt(np.mean(whole**2, axis=1)), LOUD))
    return Level(
        peak_db=level_db(float(np.abs(raw).max())),
        loud_db=level_db(loud),
        mean_db=level_db(float(np.sqrt(np.mean(heard**2)))),
        clipped=clipped_peaks(raw),
    )


def clipped_peaks(sound: Sound) -> int:
    """Return how many peaks are cut off: runs of `CLIPPED_RUN` samples or more at one end of the range."""
    heard = np.asarray(sound)
    return sum(_runs(heard >= FULL)) + sum(_runs(heard <= -FULL))


def _runs(at_end: NDArray[np.bool_]) -> list[bool]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], at_end, [False]]).astype(np.int8)))
    return [bool(end - begin >= CLIPPED_RUN) for begin, end in edges.reshape(-1, 2)]


def likeness(one: Sound, other: Sound) -> float:
    """Return how alike two sounds are: 1 the same, 0 nothing in common, -1 the same upside down.

    Args:
        one: Shape (frames,).
        other: Shape (frames,).

    Returns:
        Pearson's coefficient of correlation; 0 if one of them is silent.
    """
    a = np.nan_to_num(np.asarray(one, dtype=np.float64))
    b = np.nan_to_num(np.asarray(other, dtype=np.float64))
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt(np.sum(a**2) * np.sum(b**2)))
    return float(np.sum(a * b)) / size if size > 0 else 0.0
