"""When a tape is looked for that came into a mix, or left it: where the follower's beat comes or goes."""

from __future__ import annotations

from bridge.decks.layers import Edge, Layers
from bridge.decks.speed import HOPS_A_BLOCK
from bridge.events import FollowerState
from bridge.follow.features import HOPS_PER_S, Hop

_GONE_WITHIN = int(3.0 * HOPS_PER_S)  # four of six beats that left are missed by then; few ridden by 30 dB are
_LOOKS_BACK_OF_GONE = int(6 * HOPS_PER_S)
_LOOKS_BACK_OF_CAUGHT = int(12 * HOPS_PER_S)
_LOOKS_ON = int(4 * HOPS_PER_S)
_LOOKS_EVERY = 19  # hops: no divisor of a block's, so that blocks lie otherwise against the edge at each look
_HEARD_BEFORE = int(2 * HOPS_PER_S)  # what came sooner after the mix itself was there from the begin


class Mix:
    """Watches a mix in which tapes come and go.

    Attributes:
        plays: Whether the tape whose beat is followed, or held, still plays. While it does not, a tempo that is
            followed says nothing yet: the tape that it belongs to may still be found to have been started.
    """

    def __init__(self) -> None:
        self._layers = Layers()
        self.forget()

    def forget(self) -> None:
        """Begin anew: the whole mix came, or went."""
        self.plays = False
        self._state: FollowerState = "idle"
        self._heard = self._followed = 0
        self._since_left = _LOOKS_BACK_OF_CAUGHT

    def hear(self, hop: Hop, state: FollowerState) -> Edge | None:
        """Take in one hop, and the follower's state after it; return the tape that came, if it `plays` now, or left."""
        was, self._state = self._state, state
        self._layers.hear(hop)
        self._heard += 1
        self._since_left += 1
        if self.plays:
            self._followed = 0
            return self._look_for_end() if was == "following" != state else None
        if state != "following":
            return None
        self._followed += 1
        # Not at once: a beat may be caught before its tape was heard for long enough to tell where it came.
        return self._look_for_begin() if self._followed % _LOOKS_EVERY == 0 else None

    def _look_for_end(self) -> Edge | None:
        edge = self._layers.fell(_LOOKS_BACK_OF_GONE)
        if edge is None or edge.hops_back > _GONE_WITHIN:
            return None
        self.plays = False
        self._since_left = edge.hops_back - HOPS_A_BLOCK  # its last moment is not what was left
        return edge

    def _look_for_begin(self) -> Edge | None:
        edge = self._layers.rose(min(self._since_left, _LOOKS_BACK_OF_CAUGHT))
        if edge is not None and self._heard - edge.hops_back < _HEARD_BEFORE:
            edge = None
        self.plays = edge is not None or self._followed > _LOOKS_ON
        return edge
