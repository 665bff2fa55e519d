"""Is anything heard but echoes whose delay the bridge itself has told? Then nothing that is heard tells of a tape.

A pedal that is clocked repeats each sound one delay later, and each repeat is quieter than the one before. While a
tape plays, something is heard all the time that is louder than the sound of one delay ago can explain. Once its direct
sound is gone, nothing is: every band falls from repeat to repeat. Echoes of one's own clock are in time with it, so
they would be followed for as long as they are heard, and the tempo led by them.

Nothing is ever found where no delay is known. Without the pedal's return in what is heard, only a fade passes for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log

import numpy as np
from numpy.typing import NDArray

from bridge.follow.features import FLOOR_DB, HOPS_PER_S, TONES

REPEAT = 0.7
"""Largest part of a sound's power that its repeat may have: a feedback of .83. What is louder is heard directly."""

LONGEST_HOPS = 6 * HOPS_PER_S
"""Longest delay that is reckoned with."""

_REACH = 2  # hops to both sides: a pedal's delay is not told to the hop
_HOPS = 16 * HOPS_PER_S // 10  # over which is summed: two beats at 75 bpm, so that one soft beat is no silence
_BEGINS, _ENDS = 0.05, 0.2
_FLOOR = 10.0 ** (FLOOR_DB / 10.0)
_KEPT = LONGEST_HOPS + 2 * _REACH + 1
_NEPER = log(10.0) / 10.0  # exp(x * this) is 10 ** (x / 10), and quicker


class EchoWatch:
    """Tells when only known echoes are heard: one hop in, whether it is so out.

    Attributes:
        alone: Whether only known echoes are heard. It takes 1.6 s and a delay to tell, from when the first delay is
            known, and a hop to tell that the tape is back.
    """

    def __init__(self) -> None:
        self.alone = False
        self._powers = np.zeros((2, _KEPT, TONES))  # the same twice, so that hops in a row never wrap around
        self._in_a_row = self._powers.reshape(2 * _KEPT, TONES)
        self._direct = np.zeros(_HOPS)
        self._whole = np.zeros(_HOPS)
        self._hop = 0

    def hear(self, tones_db: NDArray[np.float64], delays: Sequence[float]) -> bool:
        """Take in one more hop and return `alone`.

        Args:
            tones_db: Shape (TONES,), as `bridge.follow.features.Hop` has it.
            delays: Delays in hops, with a fraction, of the pedals that repeat what is heard; what is longer than
                LONGEST_HOPS or shorter than three hops is left out.
        """
        if not delays:
            if self._hop:
                self._forget()
            return False
        power = np.exp(tones_db * _NEPER) - _FLOOR
        self._powers[:, self._hop % _KEPT] = power
        whole = direct = np.add.reduce(power)
        near = [self._loudest_near(self._hop - round(delay)) for delay in delays if _REACH < delay <= LONGEST_HOPS]
        if near:
            loudest = near[0] if len(near) == 1 else np.maximum.reduce(near)
            direct = np.add.reduce(np.maximum(power - REPEAT * loudest, 0.0))
        at = self._hop % _HOPS
        self._whole[at], self._direct[at] = whole, direct
        self._hop += 1
        share = (np.add.reduce(self._direct) + _FLOOR) / (np.add.reduce(self._whole) + _FLOOR)  # silence: not explained
        self.alone = bool(self._hop >= _HOPS and share < (_ENDS if self.alone else _BEGINS))
        return self.alone

    def _forget(self) -> None:
        self.alone = False
        self._powers[:] = 0.0
        self._direct[:] = 0.0
        self._whole[:] = 0.0
        self._hop = 0

    def _loudest_near(self, hop: int) -> NDArray[np.float64]:
        """Return the greatest power near a hop: shape (TONES,); before the first hop it was silent."""
        begin = (hop - _REACH) % _KEPT
        loudest: NDArray[np.float64] = np.maximum.reduce(self._in_a_row[begin : begin + 2 * _REACH + 1])
        return loudest
