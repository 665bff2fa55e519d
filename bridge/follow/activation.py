"""Where something begins: one number a hop that rises with every onset, kept for the last six seconds.

Each half octave is measured against its own mean of the last seconds, so that a soft hat over a loud bass counts, and a
tape's missing treble does not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge.follow.features import BANDS_PER_OCTAVE, HOPS_PER_S, Hop

MEMORY = 512
"""Hops that are kept: 5.9 s."""

LATENESS = 2.2
"""Hops between a sharp onset and its peak, as the end of a hop counts. Measured: thuds 1.9, clicks 2.2."""

_BANDS = BANDS_PER_OCTAVE // 2
_MEAN_OVER = 4.0 * HOPS_PER_S
_LOUDEST_RATIO = 50.0
_MASKED = 1e-7
_QUIETEST = 1e-9
_LOCAL = int(0.5 * HOPS_PER_S)


class Activation:
    """Onset strength of the last hops.

    Attributes:
        count: Hops heard since the beginning or the last `forget`.
    """

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Begin anew, as with the first hop."""
        self.count = 0
        self._strength = np.zeros(2 * MEMORY)
        self._at = 0
        self._mean: NDArray[np.float64] | None = None
        self._last: list[NDArray[np.float64]] = []

    def hear(self, hop: Hop) -> None:
        """Take in one hop."""
        power = np.add.reduceat(hop.power, np.arange(0, len(hop.power), _BANDS))
        self.count += 1
        if self._mean is None:
            self._mean = power.copy()
        self._mean += (power - self._mean) * max(1.0 / self.count, 1.0 / _MEAN_OVER)
        reference = self._mean + max(_MASKED * float(self._mean.max()), _QUIETEST)
        loudness = np.log1p(np.minimum(power / reference, _LOUDEST_RATIO))
        rise = 0.0
        if len(self._last) == 2:
            rise = float(np.maximum(loudness - self._last.pop(0), 0.0).sum()) / len(power)
        self._last.append(loudness)
        if self._at == 2 * MEMORY:
            self._strength[:MEMORY] = self._strength[MEMORY:]
            self._at = MEMORY
        self._strength[self._at] = rise
        self._at += 1

    def recent(self, hops: int) -> NDArray[np.float64]:
        """Return the strength of the last hops, smoothed, and measured against the mean of the second around.

        Args:
            hops: How many, 1..512; fewer come where fewer were heard.

        Returns:
            Shape (hops,), newest last; about 0 between onsets, negative beside them.
        """
        raw = self._strength[max(0, self._at - min(hops, self.count)) : self._at]
        if not len(raw):
            return raw
        smooth = np.convolve(np.pad(raw, 1, mode="edge"), (0.25, 0.5, 0.25), mode="valid")
        total = np.concatenate(([0.0], np.cumsum(smooth)))
        places = np.arange(len(smooth))
        low, high = np.maximum(places - _LOCAL, 0), np.minimum(places + _LOCAL + 1, len(smooth))
        around: NDArray[np.float64] = (total[high] - total[low]) / (high - low)
        return smooth - around
