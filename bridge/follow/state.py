"""What a follower says when it goes from one state to another; the states stand at the head of `follower`."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.events import FollowerState


@dataclass(frozen=True, slots=True)
class StateMove:
    """The follower went from one state to another.

    Attributes:
        frame: Frames heard when it did.
        was: The state before.
        now: The state from then on.
    """

    frame: int
    was: FollowerState
    now: FollowerState
