"""aubio's own tempo tracker in the place of the belief: the reference that the follower is measured against.

It autocorrelates onsets over the last seconds and puts a beat wherever they repeat best. It knows nothing of "no beat":
over drones and voices it invents one. It takes no prior, so that a told tempo decides the octave alone, and it
knows no tape that is changed: it needs about ten seconds to come round.

Source: M. E. P. Davies and M. D. Plumbley, "Causal Tempo Tracking of Audio", ISMIR 2004, as aubio has it.
"""

from __future__ import annotations

import aubio

from bridge.follow.features import Hop, hop_frames, window_frames
from bridge.follow.line import Sight
from bridge.follow.prior import DOUBT

WEIGHT = 0.5
"""How sure its word counts. aubio tells a confidence, which is no probability."""

LOST_AFTER = 2.5
"""Periods without a beat after which there is none."""


class AubioBeat:
    """aubio's tempo tracker, as `bridge.follow.sense.Sense` has it.

    Args:
        rate: Frames per second.
    """

    def __init__(self, rate: int) -> None:
        self._rate, self._hop = rate, hop_frames(rate)
        self.forget()

    @property
    def present(self) -> float:
        """Return 1 while beats come, else 0."""
        return float(self._period > 0 and self._since <= LOST_AFTER * self._period)

    @property
    def in_step(self) -> float:
        """Return 1: aubio does not tell."""
        return 1.0

    def hear(self, hop: Hop) -> None:
        """Take in one more hop."""
        self._heard += self._hop
        if self._tracker(hop.sound)[0]:
            self._beat = float(self._tracker.get_last())
            self._period = 60.0 / tempo if (tempo := self._tracker.get_bpm()) > 0 else 0.0
            self._period *= self._rate / self._hop
        self._since = (self._heard - self._beat) / self._hop

    def sight(self, hop: int) -> Sight:
        """Return the beat that aubio hears, of weight 0 for none."""
        if not self.present:
            return Sight(hop, float(hop), 1.0, 0.0)
        return Sight(hop, hop - self._since, self._period, WEIGHT)

    def reckon_with(self, tempo: float | None, doubt: float = DOUBT, since: float | None = None) -> None:
        """Leave it: aubio takes no prior."""

    def rely_on_rhythm(self, is_new: bool) -> None:
        """Leave it: aubio goes by onsets alone."""

    def assume(self, tempo: float, since: float, share: float) -> None:
        """Leave it: aubio takes no taps."""

    def turn_half(self) -> None:
        """Leave it: aubio cannot be told; the beat comes back to where aubio hears it."""

    def forget(self) -> None:
        """Begin as with the first hop."""
        self._tracker = aubio.tempo("default", window_frames(self._rate), self._hop, self._rate)
        self._heard = 0
        self._beat = self._since = self._period = 0.0

    def renew(self) -> None:
        """Leave it: aubio comes round by itself."""
