"""Holds on to one beat: which of the belief's peaks is followed, when another may take over, and where beats fall.

The belief may waver from hop to hop; what the pedals are told must not. So one straight line of beats is kept. A peak
that agrees with it moves it gently, octaves aside; one that does not is a rival, and must stay one for a while, as
`bridge.follow.follower` says.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log2

from bridge.follow.belief import Peak
from bridge.follow.prior import octave_gap

SAME_PERIOD = 0.09
"""Octaves by which the tempo of a peak may differ from the line's."""

SAME_PLACE = 0.2
"""Part of a period by which the beats of a peak may lie beside the line's."""

STEADY = 0.03
"""Octaves within which a tempo is one tempo, while it is looked for."""


@dataclass(frozen=True, slots=True)
class Sight:
    """A peak of the belief as beats against hops.

    Attributes:
        hop: When it was seen.
        beat: Where its last beat fell, in hops, with a fraction.
        period: Hops in a beat.
        weight: Its probability, 0..1.
    """

    hop: int
    beat: float
    period: float
    weight: float

    @classmethod
    def of(cls, peak: Peak, hop: int, late: float, hops_per_s: float) -> Sight:
        """Return a peak read after ``hop``; a beat shows in the belief ``late`` hops after it fell."""
        period = 60.0 * hops_per_s / peak.tempo
        return cls(hop, hop - late - peak.phase * period, period, peak.weight)

    def nearest(self, place: float) -> float:
        """Return the beat of this peak that lies nearest to a place in hops."""
        return self.beat + round((place - self.beat) / self.period) * self.period

    def agrees(self, other: Sight) -> bool:
        """Return whether both are one beat: the same tempo or an octave of it, with beats that fall together."""
        if abs(octave_gap(self.period, other.period)) > SAME_PERIOD:
            return False
        slow, fast = (self, other) if self.period >= other.period else (other, self)
        place = slow.nearest(fast.beat)
        return abs(fast.nearest(place) - place) <= SAME_PLACE * fast.period

    def lies_between(self, other: Sight) -> bool:
        """Return whether this is the other beat, but half a period beside it."""
        beside = abs(other.nearest(self.beat) - self.beat)
        return abs(log2(self.period / other.period)) <= SAME_PERIOD and beside > (0.5 - SAME_PLACE) * other.period

    def goes_on(self, before: Sight) -> bool:
        """Return whether this is the beat seen before, in the same octave, hardly moved."""
        if abs(log2(self.period / before.period)) > STEADY:
            return False
        return abs(before.nearest(self.beat) - self.beat) <= SAME_PLACE * self.period


class Watch:
    """How long one and the same beat has been seen."""

    def __init__(self) -> None:
        self._since = 0
        self._last: Sight | None = None

    def forget(self) -> None:
        """Begin anew."""
        self._last = None

    def see(self, sight: Sight | None) -> int:
        """Return for how many hops this beat has been seen by now; 0 for none."""
        if sight is None:
            self._last = None
            return 0
        if self._last is None or not sight.goes_on(self._last):
            self._since = sight.hop
        self._last = sight
        return sight.hop - self._since
