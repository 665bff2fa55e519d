"""What goes out to one looper, and what its port has to send should nobody be left to: notes off, and a closed loop."""

from __future__ import annotations

from math import inf
from typing import Final

from bridge.send.loop_edges import OPEN, LooperPlan, Way
from bridge.send.schedule import Message

ARRIVES_S = 2.0
"""What went out so shortly before its port was lost, in seconds, may never have arrived."""

NEWEST = 8
"""So many messages are remembered, for the case that one of them is left out."""


class LoopOut:
    """The messages of one looper. Only what is absolute is ever left with a port to be undone.

    Args:
        plan: How the looper is reached.

    Attributes:
        undo_way: How its port closes what is open; None where nothing is, or nothing absolute does it.
        undo_at: Host time in seconds at which its port does so by itself; inf for only if the sender vanishes.
        newest_way: The newest edge that went out; None before any.
        gone: Whether the port is gone.
    """

    def __init__(self, plan: LooperPlan) -> None:
        self.undo_way: Way | None = None
        self.undo_at = inf
        self.newest_way: Way | None = None
        self.gone = False
        self._plan: Final = plan
        self._out: list[Message] = []
        self._sounding = b""  # the Note Offs of what the last edge left sounding
        self._undo = b""
        self._settled: tuple[float, Way | None, bytes] = (-inf, None, b"")  # when, and what
        self._sent_at = -inf
        self._newest: list[bytes] = []

    def send(self, way: Way, at: float, until: float = inf, undo_at: float = inf) -> None:
        """Send an edge at a host time in seconds, and end what the one before it left sounding.

        Args:
            way: The edge, and where it leads to.
            at: When it is due.
            until: When it is too late for it.
            undo_at: When its port is to close by itself what it opens.
        """
        first, *others = self._plan.sent(way.edge)
        bytes_of = [self._sounding + first, *others]
        settles = self._forget_undo(at)
        self._sounding = self._plan.left_sounding(way.edge)
        self._undo = self._sounding + self._closing(way)
        self.undo_at = undo_at if self.undo_way is not None else inf
        for data in bytes_of[:-1]:
            self._out.append(Message(self._plan.port, at, data, until=until))
        self._out.append(Message(self._plan.port, at, bytes_of[-1], self._undo, until, self.undo_at, settles))
        self._sent_at, self.newest_way = at, way
        self._newest = [*self._newest, *bytes_of][-NEWEST:]

    def undo_by(self, undo_at: float, now: float) -> None:
        """Have the port close what is open at another host time in seconds."""
        if self.undo_way is not None and undo_at != self.undo_at:
            self.undo_at = undo_at
            self._out.append(Message(self._plan.port, now, b"", self._undo, undo_at=undo_at))

    def settle(self, now: float) -> None:
        """Take in that nothing is open any more. A port that is gone cannot hear it, and will close it when back."""
        if self.undo_way is None or self.gone:
            return
        settles = self._forget_undo(now)
        self._undo = self._sounding
        self._out.append(Message(self._plan.port, now, b"", self._undo, settles=settles))

    def release(self, now: float) -> None:
        """End what was left sounding."""
        if self._sounding and not self.gone:
            self._out.append(Message(self._plan.port, now, self._sounding, settles=self._undo))
            self._sounding = self._undo = b""

    def lost(self, now: float) -> bool:
        """Take in that the port is gone; return whether an edge may be lost with it."""
        self.gone = True
        self._out.clear()
        settled_at, way, undo = self._settled
        if (
            self.undo_way is None and now - settled_at <= ARRIVES_S
        ):  # the port may not know, and close it once it is back
            self.undo_way, self._undo = way, undo
        return now - self._sent_at <= ARRIVES_S

    def sent_lately(self, data: bytes) -> bool:
        """Return whether these bytes are among the newest that went out."""
        return data in self._newest

    def next_due(self) -> float:
        """Return the host time in seconds of what is due next; inf for nothing."""
        return min((message.at for message in self._out), default=inf)

    def take(self) -> list[Message]:
        """Take what is to be sent."""
        out, self._out = self._out, []
        return out

    def _forget_undo(self, at: float) -> bytes:
        """Take in that what is to be undone is so no more from a host time on; return it."""
        undo = self._undo
        if self.undo_way is not None:
            self._settled = at, self.undo_way, undo
        self.undo_way, self.undo_at = None, inf
        return undo

    def _closing(self, way: Way) -> bytes:
        """Return what closes, whatever became of it, what an edge opens; note how."""
        opens = way.to in OPEN or (way.edge == "overdub" and way.to == "unknown")
        self.undo_way = self._plan.way("overdubbing", "undo") if opens else None
        if self.undo_way is None:
            return b""
        closing = self._plan.sent(self.undo_way.edge)
        if len(closing) > 1:  # several OSC messages cannot be left with a port as one
            self.undo_way = None
            return b""
        return closing[0] + self._plan.left_sounding(self.undo_way.edge)
