"""Loudness of sound, in blocks as it is read: momentary, short-term, integrated, its range, and the true peak.

Sources: ITU-R BS.1770-4 (K weighting, gating, true peak), EBU Tech 3341 (momentary 400 ms, short-term 3 s), EBU Tech
3342 (loudness range). Each deck is measured as a programme of its own, all its channels with weight 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.signal import firwin, sosfilt

HOP_S = 0.1
"""Everything is counted in steps of so many seconds."""

MOMENTARY, SHORT_TERM = 4, 30
"""Steps in a momentary and in a short-term block."""

ABSOLUTE_GATE = -70.0
"""Blocks at or below this loudness in LUFS never count."""

OVERSAMPLED = 4
"""True peak is looked for at so many times the rate."""

REACH = 10.0 ** (3.0 / 20.0)
"""Frames that stay this far below the true peak found so far are not looked at closer.

Between two frames, a tone below a quarter of the rate rises at most 3 dB above them: at 48 kHz that is 12 kHz, the end
of what a cassette holds.
"""

_OFFSET = -0.691
_TAPS = 12  # of each phase, as in BS.1770-4 annex 2
_ROW = 32  # frames whose peaks one row of a matrix product finds
_ROWS = 64  # rows that are looked at closer together


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """How loud a programme was.

    Attributes:
        integrated: Over all of it, in LUFS; None where nothing was above the gate.
        loudest: Loudest short-term block, in LUFS; None without a whole one above the gate.
        range_lu: Loudness range in LU; None without a short-term block above the gate.
        true_peak_db: Highest true peak, in dB relative to full scale; None without sound.
    """

    integrated: float | None
    loudest: float | None
    range_lu: float | None
    true_peak_db: float | None


class Meter:
    """Takes sound in block by block and counts it in steps of 100 ms.

    Args:
        rate: Frames per second, 8000 or more.
        channels: Channels of the sound.

    Attributes:
        powers: Mean squares of the weighted sound, shape (steps, channels).
        true_peaks: Highest absolute value of each channel so far, between the frames too, shape (channels,).
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._filter = k_weighting(rate).astype(np.float32)  # within 0.001 dB of float64, and a third faster
        self._state = np.zeros((len(self._filter), channels, 2), np.float32)
        self._frames = 0
        self._kernel = _peak_kernel()
        self._before = np.zeros((channels, _TAPS), np.float32)
        self.true_peaks = np.zeros(channels)
        self._left = np.zeros((channels, 0), np.float32)
        self._parts: list[NDArray[np.float64]] = []

    @property
    def powers(self) -> NDArray[np.float64]:
        """Mean squares of the weighted sound in each whole step, shape (steps, channels)."""
        return np.concatenate(self._parts) if self._parts else np.zeros((0, len(self._left)))

    def prime(self, sound: NDArray[np.float32]) -> None:
        """Let the weighting settle on sound that comes before what is measured, shape (frames, channels)."""
        _, self._state = sosfilt(self._filter, sound.T, zi=self._state)

    def hear(self, sound: NDArray[np.float32]) -> None:
        """Take the next block in, shape (frames, channels), full scale is 1.0."""
        lines = np.ascontiguousarray(sound.T)  # all that follows is several times as fast along a channel
        weighted, self._state = sosfilt(self._filter, lines, zi=self._state)
        self._count(weighted)
        self._peak(lines)

    def _count(self, weighted: NDArray[np.float32]) -> None:
        """Add up whole steps; what is left waits. Steps begin at the nearest frame, so that any rate keeps in time."""
        weighted = np.concatenate([self._left, weighted], axis=1) if self._left.size else weighted
        step = self._rate * HOP_S
        first = self._frames / step
        count = int((self._frames + weighted.shape[1]) // step) - int(first + 0.5)
        if count < 1:
            self._left = weighted
            return
        edges = np.round((int(first + 0.5) + np.arange(count + 1)) * step).astype(int) - self._frames
        lengths = np.diff(edges)
        whole = weighted[:, : edges[-1]]
        if len(set(map(int, lengths))) == 1:  # the usual rates: much faster
            steps = whole.reshape(len(whole), count, int(lengths[0]))
            powers = np.vecdot(steps, steps)
        else:
            powers = np.add.reduceat(np.square(whole, dtype=np.float64), edges[:-1], axis=1)
        self._parts.append(np.asarray(powers / lengths, np.float64).T)
        self._left = weighted[:, edges[-1] :].copy()
        self._frames += int(edges[-1])

    def _peak(self, sound: NDArray[np.float32]) -> None:
        """Raise the true peaks; a channel is oversampled only where it could raise one. Shape (channels, frames)."""
        whole = np.concatenate([self._before, sound], axis=1)
        rows = (whole.shape[1] - _TAPS) // _ROW
        for channel, line in enumerate(whole):
            starts = np.arange(0, len(line), _ROW * _ROWS)
            tops = np.maximum(np.maximum.reduceat(line, starts), -np.minimum.reduceat(line, starts))
            self.true_peaks[channel] = max(self.true_peaks[channel], float(tops.max()))
            able = np.flatnonzero(np.maximum(tops, np.append(tops[1:], 0.0)) * REACH > self.true_peaks[channel])
            for first in map(int, able * _ROWS):  # its last row reaches into the next rows
                found = _between(line[first * _ROW :], min(_ROWS, rows - first), self.true_peaks[channel], self._kernel)
                self.true_peaks[channel] = max(self.true_peaks[channel], found)
        self._before = whole[:, max(0, rows) * _ROW :].copy()


def _between(line: NDArray[np.float32], rows: int, known: float, kernel: NDArray[np.float32]) -> float:
    """Return the highest absolute value between the frames of some rows that is above ``known``; 0 if none can be."""
    if rows < 1:
        return 0.0
    line = line[: rows * _ROW + _TAPS]
    tops = np.abs(line[: rows * _ROW]).reshape(rows, _ROW).max(axis=1)
    tops = np.maximum(tops, np.append(tops[1:], np.abs(line[rows * _ROW :]).max()))  # a row reaches into the next
    able = np.flatnonzero(tops * REACH > known)
    if not len(able):
        return 0.0
    windows = np.take(sliding_window_view(line, _ROW + _TAPS)[::_ROW], able, axis=0)
    return float(np.abs(windows @ kernel).max())


def k_weighting(rate: int) -> NDArray[np.float64]:
    """Return the K weighting as second-order sections, shape (2, 6): the high shelf, then the high pass.

    Source: ITU-R BS.1770-4 tables 1 and 2 for 48 kHz; other rates by the analogue prototypes behind them (common
    practice).
    """
    return np.vstack([_shelf(rate), _high_pass(rate)])


def integrated(powers: NDArray[np.float64]) -> float | None:
    """Return the gated loudness in LUFS of a programme's mean squares per step; NaN is a gap.

    Args:
        powers: Sums over the programme's channels, shape (steps,).
    """
    blocks = _blocks_of(powers, MOMENTARY)
    loud = blocks[lufs(blocks) > ABSOLUTE_GATE]
    if not len(loud):
        return None
    gated = loud[lufs(loud) > float(lufs(loud.mean())) - 10.0]
    return float(lufs(gated.mean()))


def short_term(powers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the short-term loudness in LUFS, one value a step from the third second on; gaps are left out."""
    return lufs(_blocks_of(powers, SHORT_TERM))


def range_lu(powers: NDArray[np.float64]) -> float | None:
    """Return the loudness range in LU: from the 10th to the 95th percentile above a gate of -20 LU."""
    blocks = _blocks_of(powers, SHORT_TERM)
    loud = blocks[lufs(blocks) > ABSOLUTE_GATE]
    if not len(loud):
        return None
    levels = lufs(loud[lufs(loud) > float(lufs(loud.mean())) - 20.0])
    low, high = np.percentile(levels, [10, 95])
    return float(high - low)


def loudness_of(powers: NDArray[np.float64], true_peak: float | None) -> Loudness:
    """Return how loud a programme was.

    Args:
        powers: Mean squares per step, summed over its channels, shape (steps,); NaN is a gap.
        true_peak: Its highest absolute value; None without sound.
    """
    heard = short_term(powers)
    loudest = float(heard.max()) if len(heard) and heard.max() > ABSOLUTE_GATE else None
    peak = None if true_peak is None else float(20.0 * np.log10(max(true_peak, 1e-6)))
    return Loudness(integrated=integrated(powers), loudest=loudest, range_lu=range_lu(powers), true_peak_db=peak)


def lufs(power: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Return mean squares as loudness in LUFS; nothing at all is -120."""
    return np.asarray(np.maximum(-120.0, _OFFSET + 10.0 * np.log10(np.maximum(power, 1e-13))))


def _blocks_of(powers: NDArray[np.float64], steps: int) -> NDArray[np.float64]:
    """Return the mean of so many steps in a row, for each step; blocks with a gap are left out."""
    if len(powers) < steps:
        return np.zeros(0)
    means = sliding_window_view(powers, steps).mean(axis=1)
    return np.asarray(means[np.isfinite(means)])


def _shelf(rate: int) -> NDArray[np.float64]:
    gain, quality, hz = 3.999843853973347, 0.7071752369554196, 1681.974450955533
    k = np.tan(np.pi * hz / rate)
    high = 10.0 ** (gain / 20.0)
    band = high**0.4996667741545416
    scale = 1.0 + k / quality + k * k
    return np.array(
        [
            (high + band * k / quality + k * k) / scale,
            2.0 * (k * k - high) / scale,
            (high - band * k / quality + k * k) / scale,
            1.0,
            2.0 * (k * k - 1.0) / scale,
            (1.0 - k / quality + k * k) / scale,
        ]
    )


def _high_pass(rate: int) -> NDArray[np.float64]:
    quality, hz = 0.5003270373238773, 38.13547087602444
    k = np.tan(np.pi * hz / rate)
    scale = 1.0 + k / quality + k * k
    return np.array([1.0, -2.0, 1.0, 1.0, 2.0 * (k * k - 1.0) / scale, (1.0 - k / quality + k * k) / scale])


def _peak_kernel() -> NDArray[np.float32]:
    """Return a matrix that takes a row of frames to all values between them.

    Shape (_ROW + _TAPS, _ROW * (OVERSAMPLED - 1)): phase 0 is the frames themselves.
    """
    taps = firwin(OVERSAMPLED * _TAPS + 1, 1.0 / OVERSAMPLED, window=("kaiser", 5.0)) * OVERSAMPLED
    kernel = np.zeros((_ROW + _TAPS, _ROW, OVERSAMPLED - 1), np.float32)
    for phase in range(1, OVERSAMPLED):
        part = taps[phase::OVERSAMPLED][::-1]
        for frame in range(_ROW):
            kernel[frame : frame + _TAPS, frame, phase - 1] = part
    return kernel.reshape(_ROW + _TAPS, -1)
