"""Blocks of sound put together, so that a thread is woken for a tenth of a second of it and not for every block.

To be woken costs a thread more than so little work: caches are cold, and whoever woke it is held up.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

GATHER_S = 0.1
"""So much sound is handed on at a time: what kill -9 may cost."""

Piece = tuple[int, NDArray[np.float32]]
"""Number of the first frame, and the samples, shape (frames, channels)."""


class Gathered:
    """Takes blocks of sound, and hands them on in pieces of at least ``GATHER_S``, cut where frames are missing.

    Args:
        rate: Frames per second.
    """

    def __init__(self, rate: int) -> None:
        self._enough = GATHER_S * rate
        self._blocks: list[NDArray[np.float32]] = []
        self._begin = self._end = 0

    def add(self, frame: int, samples: NDArray[np.float32]) -> list[Piece]:
        """Take in a block, which is copied, and return the pieces that are complete now: none, one or two."""
        pieces = self.rest() if frame != self._end else []
        if not self._blocks:
            self._begin = frame
        self._blocks.append(samples.copy())
        self._end = frame + len(samples)
        return [*pieces, *self.rest()] if self._end - self._begin >= self._enough else pieces

    def rest(self) -> list[Piece]:
        """Return what was not handed on yet as a piece, if there is anything."""
        blocks, self._blocks = self._blocks, []
        return [(self._begin, np.concatenate(blocks))] if blocks else []
