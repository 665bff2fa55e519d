"""Which octave of a beat is counted: the likelier while it is new, then the one that was chosen.

Half and double tempo explain a beat almost as well. For the first seconds the likelier one may soon take over; from
then on only one that stays far the likelier for long. Either way that is once: then the octave stays for ten minutes,
or until there is a reason (another tape, a speed switch, a hand).
"""

from __future__ import annotations

from math import log2

from bridge.follow.features import HOPS_PER_S
from bridge.follow.line import Sight

_YOUNG = 8 * HOPS_PER_S  # hops
_OVER, _SURE = 2.0 * HOPS_PER_S, 0.75  # part of the looks of so many hops that must see another octave
_OVER_LATE, _SURE_LATE = 3.0 * HOPS_PER_S, 0.9
_STAYS = 600 * HOPS_PER_S


class OctaveChoice:
    """Watches in which octave the belief sees the beat that is followed.

    Attributes:
        is_by_hand: Whether a hand chose the octave that is kept.
        off: By how many octaves the beat is heard above the one that is counted; None where what is heard disagrees.
    """

    def __init__(self) -> None:
        self.free()

    def free(self) -> None:
        """Choose anew from now on."""
        self._heard = 0
        self._above = self._below = 0.0
        self._stays = 0
        self.off: int | None = None
        self._is_told = self.is_by_hand = False

    def settle(self, *, by_hand: bool = False) -> None:
        """Keep the octave from now on: it was told."""
        self._is_told, self.is_by_hand = True, self.is_by_hand or by_hand

    def stay(self) -> None:
        """Keep the octave for the next ten minutes: it moved along with the deck's speed."""
        self._stays = _STAYS

    def hear(self, sight: Sight, period: float, hops: int) -> float:
        """Return 2 or 0.5 if the tempo that is followed should be counted in another octave, else 1.

        Args:
            sight: What agrees with the line.
            period: The line's period in hops.
            hops: Hops since the last call.
        """
        self._heard += hops
        self._stays -= hops
        self.off = octaves = round(log2(period / sight.period))
        is_young = self._heard < _YOUNG
        share = hops / (_OVER if is_young else _OVER_LATE)
        self._above += share * ((octaves == 1) - self._above)
        self._below += share * ((octaves == -1) - self._below)
        if self._is_told or self._stays > 0 or max(self._above, self._below) < (_SURE if is_young else _SURE_LATE):
            return 1.0
        self._stays = _STAYS
        above, self._above, self._below = self._above > self._below, 0.0, 0.0
        return 2.0 if above else 0.5
