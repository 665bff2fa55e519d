"""What the beat activation hears: levels of 32 bands over their running mean, and their change, a frame at a time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FRAMES_PER_S = 100
WINDOW_S = 1024 / 24_000
BANDS, BAND_LOW_HZ, BAND_HIGH_HZ = 32, 40.0, 9500.0
NARROWEST_HZ = 1.5 * 24_000 / 1024
MEAN_S = 3.0
FLOOR_DB = -90.0
LIMIT = 4.0


class Features:
    """Turns sound into features, one frame after the other, at any rate.

    Frame n hears the sound up to its own end, (n + 1) * hop. The bands are the same in Hz at every rate, so that one
    set of weights serves 22.05 to 96 kHz.

    Args:
        rate: Frames of sound per second, 20000 or more.

    Raises:
        ValueError: ``rate`` is below 20000 or NaN: the highest band would be missing.
    """

    def __init__(self, rate: float) -> None:
        if not rate >= 20_000:
            raise ValueError(f"rate must be 20000 frames of sound per second or more, got {rate!r}")
        self.hop = round(rate / FRAMES_PER_S)
        """Frames of sound in each frame of features."""
        size = round(rate * WINDOW_S)
        self._fft = 1 << (size - 1).bit_length()
        # Periodic, as in training; scaled so that a full-scale sine gives about 0 dB.
        window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
        self._window = (window * 2 / window.sum()).astype(np.float32)
        self._filters = _filters(rate, self._fft)
        self._sound = np.zeros(size, np.float32)
        self._first: NDArray[np.float64] | None = None
        self._last = np.zeros(BANDS)
        self._mean = np.zeros(BANDS)

    def hear(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the features of the next frame.

        Args:
            samples: Shape (hop,), mono, full scale is 1.0. What is not finite counts as silence.

        Returns:
            Shape (64,): band levels in dB over their mean of the last 3 s, then their change since the frame before,
            both over 10 and limited to 4.

        Raises:
            ValueError: ``samples`` has another shape.
        """
        if samples.shape != (self.hop,):
            raise ValueError(f"samples must have shape ({self.hop},), got {samples.shape}")
        self._sound[: -self.hop] = self._sound[self.hop :]
        self._sound[-self.hop :] = np.where(np.isfinite(samples), samples, 0)
        spectrum = np.fft.rfft(self._sound * self._window, self._fft)
        power = spectrum.real**2 + spectrum.imag**2
        level = 10 * np.log10(self._filters @ power + 10 ** (FLOOR_DB / 10))
        if self._first is None:
            self._first = self._last = level
        above = level - self._first
        self._mean += (above - self._mean) / (MEAN_S * FRAMES_PER_S)
        change = level - self._last
        self._last = level
        heard = np.concatenate([above - self._mean, change]) / 10
        return np.clip(heard, -LIMIT, LIMIT).astype(np.float32)


def _filters(rate: float, fft: int) -> NDArray[np.float64]:
    """Return triangular filters, shape (BANDS, bins), each of unit sum and no narrower than a bin of the training."""
    centres = np.geomspace(BAND_LOW_HZ, BAND_HIGH_HZ, BANDS)
    half = np.maximum(centres * (centres[1] / centres[0] - 1), NARROWEST_HZ)
    weights = np.maximum(0, 1 - np.abs(np.fft.rfftfreq(fft, 1 / rate) - centres[:, None]) / half[:, None])
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))
