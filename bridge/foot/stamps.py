"""When a message came, from two clocks: the driver's, which is exact and drifts, and ours, which may look late."""

from __future__ import annotations

from math import inf

BELIEVED_S = 0.02
"""A message that the driver says came so much earlier than it was seen, in seconds, is not believed to have."""

DRIFT = 1e-4
"""How fast the two clocks may drift apart, at most."""


class Stamps:
    """Puts the driver's intervals on host time by the message that was seen with the least delay so far.

    A driver that stamps nothing, or loses count, does no harm: then the message came when it was seen.
    """

    def __init__(self) -> None:
        self._driver = 0.0
        self._offset = inf

    def at(self, seen: float, gap_s: float) -> float:
        """Return the host time at which a message came, in seconds; never later than ``seen``.

        Args:
            seen: Host time at which this process had it.
            gap_s: Time since the message before it as the driver has it, in seconds; 0 for the first.
        """
        gap_s = max(0.0, gap_s) if gap_s < inf else 0.0  # NaN counts as 0
        self._driver += gap_s
        self._offset = min(self._offset + DRIFT * gap_s, seen - self._driver)
        at = self._driver + self._offset
        if not seen - at <= BELIEVED_S:
            self._offset = seen - self._driver
            return seen
        return min(at, seen)
