"""A looper made of one table: messages and its own switches move it, and it writes down all that happened to it.

It knows nothing of the bridge. It does what loopers commonly do (common practice, no source). What a rig calls
absolute leads to the same state whatever was before; a rig's toggles are one switch, whose effect rests on the state.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import isfinite
from typing import Final, Literal, NamedTuple

BoxState = Literal["idle", "recording", "playing", "overdubbing", "stopped"]
"""What a looper can do; ``idle``: it is empty."""

BoxEdge = Literal["record", "play", "overdub", "stop", "clear", "step"]
"""What it can be told; ``step`` is the one switch of a toggle."""

_STATES: Final[tuple[BoxState, ...]] = ("idle", "recording", "playing", "overdubbing", "stopped")

MOVES: Final[dict[BoxEdge, dict[BoxState, BoxState]]] = {
    # what it is told: {its state: the state that this leads to}
    "record": dict.fromkeys(_STATES, "recording"),
    "play": dict.fromkeys(_STATES, "playing"),
    "overdub": dict.fromkeys(_STATES, "overdubbing"),
    "stop": {**dict.fromkeys(_STATES, "stopped"), "idle": "idle"},  # an empty one that is stopped is still empty
    "clear": dict.fromkeys(_STATES, "idle"),
    "step": {
        "idle": "recording",
        "recording": "playing",
        "playing": "overdubbing",
        "overdubbing": "playing",
        "stopped": "playing",
    },
}
"""All that a looper does."""

OPEN: Final = ("recording", "overdubbing")
"""States in which it takes in sound."""


class Turn(NamedTuple):
    """A looper went from one state to another.

    Attributes:
        at: Host time in seconds at which it did.
        was: The state before.
        now: The state from then on.
        by_hand: Whether its own switch made it so, and no message.
    """

    at: float
    was: BoxState
    now: BoxState
    by_hand: bool


class LoopBox:
    """A looper that listens to one MIDI cable.

    Args:
        edges: What each message that it knows tells it: one whole MIDI message, or one OSC message. With six messages
            of their own it is absolute, with ``step`` alone a pure toggle; any mixture will do.
        latency_s: Time from a message to its effect, in seconds, 0..1; its own switches have none.

    Attributes:
        state: What it does after the last message.
        turns: All that happened to it, oldest first. What changes nothing is no turn.
        loop_s: Length of the loop that it holds, in seconds; None where it holds none.
        erased: Loops that were recorded over or cleared.
        unknown: Messages that mean nothing to it.

    Raises:
        ValueError: ``latency_s`` is outside its range, or it knows no message.

    Example:
        >>> box = LoopBox({b"\\xb0\\x50\\x01": "record", b"\\xb0\\x50\\x02": "play"})
        >>> box.receive(10.0, b"\\xb0\\x50\\x01")
        >>> box.receive(18.0, b"\\xb0\\x50\\x02")
        >>> box.state, box.loop_s
        ('playing', 8.0)
    """

    def __init__(self, edges: Mapping[bytes, BoxEdge], latency_s: float = 0.0) -> None:
        if not 0.0 <= latency_s <= 1.0:
            raise ValueError(f"latency_s must be 0..1 s, got {latency_s!r}")
        if not edges:
            raise ValueError("a looper that knows no message does nothing; give it one, such as a step")
        self.state: BoxState = "idle"
        self.turns: list[Turn] = []
        self.loop_s: float | None = None
        self.erased = 0
        self.unknown = 0
        self._edges: Final = dict(edges)
        self._latency_s: Final = latency_s
        self._last_at = -float("inf")

    @property
    def open_since(self) -> float | None:
        """Host time in seconds since which it has been recording or overdubbing; None if it does neither."""
        return self.turns[-1].at if self.state in OPEN else None

    def receive(self, at: float, message: bytes) -> None:
        """Take in one message.

        Args:
            at: Host time in seconds at which it arrived, not before what came before it.
            message: One whole message.

        Raises:
            ValueError: ``at`` is not finite, or before the message or press before it.
        """
        edge = self._edges.get(message)
        if edge is None:
            self._in_order(at)
            self.unknown += 1
        else:
            self._move(at, edge, self._latency_s, by_hand=False)

    def receive_all(self, log: Iterable[tuple[float, bytes]]) -> None:
        """Take in every message of a log: pairs of host time in seconds and one whole message."""
        for at, message in log:
            self.receive(at, message)

    def press(self, at: float, edge: BoxEdge) -> None:
        """Press one of its own switches: it has all of them, whatever messages it knows.

        Args:
            at: Host time in seconds, not before what came before it.
            edge: What that tells it.

        Raises:
            ValueError: ``at`` is not finite, or before the message or press before it.
        """
        self._move(at, edge, 0.0, by_hand=True)

    def _move(self, at: float, edge: BoxEdge, latency_s: float, *, by_hand: bool) -> None:
        self._in_order(at)
        was, now = self.state, MOVES[edge][self.state]
        if was == now:
            return
        begun = self.turns[-1].at if self.turns else at
        at = max(at + latency_s, begun)
        self.turns.append(Turn(at, was, now, by_hand))
        self.state = now
        if was == "recording":
            self.loop_s = at - begun
        if now in ("recording", "idle"):
            self.erased += self.loop_s is not None and was != "recording"
            self.loop_s = None

    def _in_order(self, at: float) -> None:
        if not (isfinite(at) and at >= self._last_at):
            raise ValueError(f"messages must come in order of time, got {at!r} s after {self._last_at!r} s")
        self._last_at = at
