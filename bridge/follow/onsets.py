"""Where something begins: one number a hop that rises with every onset, at any level."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge.follow.features import HOPS_PER_S

_MEAN_HOPS = 3.0 * HOPS_PER_S
_LEAST_DB = 0.2  # a hop: so silence has no onsets
_MOST_DB = 40.0


class Onsets:
    """Rise of the tone bands over its own running mean: one hop in, one number out, whatever the level."""

    def __init__(self) -> None:
        self._last: NDArray[np.float64] | None = None
        self._usual_db = 0.0

    def hear(self, tones_db: NDArray[np.float64]) -> float:
        """Return the onset strength of one more hop, 0 or more; about 1 is usual.

        Args:
            tones_db: Shape (TONES,), as `bridge.follow.features.Hop` has it.
        """
        last = tones_db if self._last is None else self._last
        self._last = tones_db
        rises = np.minimum(np.maximum(tones_db - last, 0.0), _MOST_DB)
        rise_db = float(np.add.reduce(rises)) / len(rises)
        self._usual_db += (rise_db - self._usual_db) / _MEAN_HOPS
        return rise_db / (self._usual_db + _LEAST_DB)
