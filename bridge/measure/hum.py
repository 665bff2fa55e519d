"""Hum of the mains in a sound: a line near 50 or 60 Hz and its multiples, which stands out of the noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bridge.units import level_db

Mains = Literal[50, 60]

MAINS: tuple[Mains, Mains] = (50, 60)
"""Frequencies of the world's mains, in Hz. Source: IEC 60196, Standard frequencies."""

ASTRAY_HZ = 0.3
"""Mains stray so far: 0.2 Hz is common in large grids, the rest is an allowance for the interface's own clock."""

MULTIPLES = 8
"""So many multiples are looked at: a rectifier hums at the second, a dimmer buzzes at all."""

SHORTEST_S = 2.0
"""Hum needs so much sound to be told from a low note."""

STANDS_OUT = 8.0
"""A line is one when its power passes the median around it by this factor, about 9 dB: noise hardly ever does."""

FAINTEST_DB = -90.0
"""A line fainter than this is none: nobody hears it, and the foot of a loud note is higher."""

CLOSE_HZ = 1.2
"""Nothing is higher so close to a line; the nearest note, B1, lies 1.7 Hz from 60 Hz, and G1 1.0 Hz from 50 Hz."""

NEAR_TOP = 2.0
"""By so much a line may be lower than the top of its own peak, where its frequency is not quite the one tried."""

_BESIDE_HZ = (3.0, 9.0)  # where the noise beside a line is taken


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """Hum that was found.

    Attributes:
        mains: 50 or 60.
        frequency: What it was measured at, in Hz.
        level_db: Root mean square of all its lines together, in dB relative to full scale.
        lines: Which multiples stand out, 1 for the mains' own frequency.
    """

    mains: Mains
    frequency: float
    level_db: float
    lines: tuple[int, ...]


def find_hum(sound: NDArray[np.floating], rate: int) -> Hum | None:
    """Return the hum of the mains in a sound; None if none stands out.

    To be asked of an input whose deck is stopped: a low note that is held is a line as well.

    Args:
        sound: Shape (frames,), 2 s or more.
        rate: Frames per second, 2000 or more.

    Raises:
        ValueError: The sound is too short, or the rate too low.
    """
    if not (rate >= 2000 and len(sound) >= SHORTEST_S * rate):
        raise ValueError(f"hum needs {SHORTEST_S:g} s at 2000 frames/s or more, got {len(sound)} at {rate!r}")
    power, step = _spectrum(np.nan_to_num(np.asarray(sound, dtype=np.float64)), rate)
    found = [hum for mains in MAINS if (hum := _of_mains(power, step, mains)) is not None]
    return max(found, key=lambda hum: (len(hum.lines) > 0, hum.level_db), default=None)


def _spectrum(heard: NDArray[np.float64], rate: int) -> tuple[NDArray[np.float64], float]:
    """Return the power of a sine at each bin, and the bins' distance in Hz; bins lie four times as close as need be."""
    window = np.blackman(len(heard))
    size = 1 << (4 * len(heard) - 1).bit_length()
    spectrum = np.fft.rfft((heard - heard.mean()) * window, size)
    keep = int((MAINS[1] + 1) * MULTIPLES * size / rate) + 1
    return 2 * np.abs(spectrum[:keep]) ** 2 / np.sum(window) ** 2, rate / size


def _of_mains(power: NDArray[np.float64], step: float, mains: Mains) -> Hum | None:
    """Return the hum of one kind of mains: the lines at the multiples of the frequency that has most in them."""
    tried = np.arange(mains - ASTRAY_HZ, mains + ASTRAY_HZ + 1e-9, 0.01)
    faintest = 10.0 ** (FAINTEST_DB / 10.0)
    noise = [max(_noise(power, step, multiple * mains), faintest / STANDS_OUT) for multiple in range(1, MULTIPLES + 1)]
    best: tuple[float, float, list[tuple[int, float]]] = (0.0, 0.0, [])
    for frequency in tried:
        lines = []
        for multiple in range(1, MULTIPLES + 1):
            bin_ = round(multiple * frequency / step)
            line = float(power[bin_]) if bin_ < len(power) else 0.0
            if line > STANDS_OUT * noise[multiple - 1] and _is_top(power, step, bin_):
                lines.append((multiple, line))
        total = sum(line for _, line in lines)
        if total > best[0]:
            best = (total, float(frequency), lines)
    total, frequency, lines = best
    if not lines:
        return None
    return Hum(
        mains=mains,
        frequency=frequency,
        level_db=level_db(float(np.sqrt(total))),
        lines=tuple(multiple for multiple, _ in lines),
    )


def _noise(power: NDArray[np.float64], step: float, frequency: float) -> float:
    """Return the noise around a line: the median of what lies beside it on both sides."""
    near, far = (round(hz / step) for hz in _BESIDE_HZ)
    middle = round(frequency / step)
    beside = np.concatenate([power[max(0, middle - far) : middle - near], power[middle + near : middle + far]])
    return float(np.median(beside)) if len(beside) else float("inf")


def _is_top(power: NDArray[np.float64], step: float, at: int) -> bool:
    """Return whether nothing close by is higher: a line is, and the foot of a note is not."""
    reach = round(CLOSE_HZ / step)
    return bool(power[at] >= power[max(0, at - reach) : at + reach + 1].max() / NEAR_TOP)
