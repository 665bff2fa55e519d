"""Where something begins: one number a hop that rises with every onset, at any level.

Each tone band is measured against its own mean of the last seconds, so that a soft hat over a loud bass counts, and a
tape's missing treble does not.
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from bridge.follow.features import HOPS_PER_S, TONES, Hop

_MEAN_HOPS = 4.0 * HOPS_PER_S
_LOUDEST_RATIO = 50.0
_MASKED = 1e-7
_QUIETEST = 1e-9
_BACK = 2


class Onsets:
    """Onset strength, hop after hop."""

    def __init__(self) -> None:
        self._count = 0
        self._mean: NDArray[np.float64] = np.zeros(TONES)
        self._usual = 0.02
        self._last: deque[NDArray[np.float64]] = deque(maxlen=_BACK)

    def hear(self, hop: Hop) -> float:
        """Return the strength of one more hop, 0 or more; 1 is what it was on the mean of the last seconds."""
        power = 10.0 ** (hop.tones_db / 10.0)
        self._count += 1
        if self._count == 1:
            self._mean = power
        self._mean = self._mean + (power - self._mean) * max(1.0 / self._count, 1.0 / _MEAN_HOPS)
        reference = self._mean + max(_MASKED * float(self._mean.max()), _QUIETEST)
        loudness = np.log1p(np.minimum(power / reference, _LOUDEST_RATIO))
        rise = 0.0
        if len(self._last) == _BACK:
            rise = float(np.maximum(loudness - self._last[0], 0.0).mean())
        self._last.append(loudness)
        self._usual += (rise - self._usual) / _MEAN_HOPS
        return rise / max(self._usual, 1e-3)
