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
    """Watches in which octave the belief sees the beat that is followed.

    Attributes:
        is_settled: Whether the octave is kept from now on.
    """

    def __init__(self) -> None:
        self.free()

    def free(self) -> None:
        """Choose anew from now on."""
        self._heard = 0
        self._above = self._below = 0.0
        self.is_settled = False

    def settle(self) -> None:
        """Keep the octave from now on: a hand told it."""
        self.is_settled = True

    def hear(self, sight: Sight, period: float, hops: int, may_double: bool = True) -> float:
        """Return 2 or 0.5 if the tempo that is followed should be counted in another octave, else 1.

        Args:
            sight: What agrees with the line.
            period: The line's period in hops.
            hops: Hops since the last call.
            may_double: Whether twice the tempo may be the tape's at all.
        """
        self._heard += hops
        if self.is_settled:
            return 1.0
        octaves = round(log2(period / sight.period))
        share = hops / _OVER
        self._above += share * ((octaves == 1 and may_double) - self._above)
        self._below += share * ((octaves == -1) - self._below)
        self.is_settled = self._heard >= _SETTLES
        if max(self._above, self._below) < _SURE:
            return 1.0
        self.is_settled = True
        return 2.0 if self._above > self._below else 0.5
