"""Which octave of a beat is counted: the likelier while it is new, then the one that was chosen.

Half and double tempo explain a beat almost as well. For the first seconds the likelier one may still take over, once;
from then on the octave stays until there is a reason (another tape, a speed switch, a hand).
"""

from __future__ import annotations

from math import log2

from bridge.follow.line import Sight

_SETTLES = 800  # hops
_OVER = 200.0  # hops
_SURE = 0.75


class OctaveChoice:
    """Watches in which octave the belief sees the beat that is followed."""

    def __init__(self) -> None:
        self.free()

    def free(self) -> None:
        """Choose anew from now on."""
        self._heard = 0
        self._above = self._below = 0.0
        self._settled = False

    def settle(self) -> None:
        """Keep the octave from now on: a hand told it."""
        self._settled = True

    def hear(self, sight: Sight, period: float, hops: int) -> float:
        """Return 2 or 0.5 if the tempo that is followed should be counted in another octave, else 1.

        Args:
            sight: What agrees with the line.
            period: The line's period in hops.
            hops: Hops since the last call.
        """
        self._heard += hops
        if self._settled:
            return 1.0
        octaves = round(log2(period / sight.period))
        share = hops / _OVER
        self._above += share * ((octaves == 1) - self._above)
        self._below += share * ((octaves == -1) - self._below)
        self._settled = self._heard >= _SETTLES
        if max(self._above, self._below) < _SURE:
            return 1.0
        self._settled = True
        return 2.0 if self._above > self._below else 0.5
