"""What a looper may be told in which state, and what that leads to: one table; and the bytes that tell it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from bridge.rig_foot import EDGES, EdgeKind, Looper, LooperEdge, LooperState
from bridge.send.messages import hanging_notes, wire_bytes


class Way(NamedTuple):
    """One way out of a state.

    Attributes:
        edge: One of `bridge.rig_foot.EDGES`.
        to: The state that it leads to.
        only: The kind that the edge has to be of; None for any.
    """

    edge: str
    to: LooperState
    only: EdgeKind | None = None


_PLAY, _STOP, _CLEAR = Way("play", "playing"), Way("stop", "stopped"), Way("clear", "idle")
_OVERDUB, _RECORD = Way("overdub", "overdubbing"), Way("record", "recording")
_RECORD_AGAIN, _OVERDUB_AGAIN = Way("record", "playing", "toggle"), Way("overdub", "playing", "toggle")


def _absolute(way: Way) -> Way:
    return way._replace(only="absolute")


_QUIET = (_absolute(_STOP), _absolute(_PLAY))

WAYS: dict[LooperState, dict[str, tuple[Way, ...]]] = {
    # state: {what is wanted: the ways to it, of which the first is taken that the looper has}
    "idle": {
        "record": (_RECORD,),
        "stop": (Way("stop", "idle", "absolute"),),
        "clear": (_absolute(_CLEAR),),
    },
    "recording": {
        "close": (_PLAY, _STOP, _RECORD_AGAIN),
        "play": (_PLAY, _RECORD_AGAIN),
        "stop": (_STOP,),
        "clear": (_CLEAR,),
        "undo": (_absolute(_PLAY), _absolute(_STOP)),
        "quiet": _QUIET,
        "end": _QUIET,
    },
    "playing": {
        "record": (_absolute(_RECORD),),
        "overdub": (_OVERDUB,),
        "play": (_absolute(_PLAY),),
        "stop": (_STOP,),
        "clear": (_CLEAR,),
        "quiet": (_absolute(_STOP),),
    },
    "overdubbing": {
        "overdub": (_PLAY, _OVERDUB_AGAIN),
        "play": (_PLAY, _OVERDUB_AGAIN),
        "stop": (_STOP,),
        "clear": (_CLEAR,),
        "undo": (_absolute(_PLAY), _absolute(_STOP)),
        "quiet": _QUIET,
        "end": _QUIET,
    },
    "stopped": {
        "record": (_absolute(_RECORD),),
        "play": (_PLAY,),
        "stop": (_absolute(_STOP),),
        "clear": (_CLEAR,),
    },
    "unknown": {
        "record": (_absolute(_RECORD),),
        "overdub": (_absolute(_OVERDUB),),
        "play": (_absolute(_PLAY),),
        "stop": (_absolute(_STOP),),
        "clear": (_absolute(_CLEAR),),
        "quiet": _QUIET,
        "end": _QUIET,
    },
}
"""What may be sent. ``armed`` has no row: a looper that is armed still does what it did, and waits for its ``record``.

``close`` ends a recording when its time has come; ``undo`` is how it is to be closed should the sender vanish, stand
still or be late; ``quiet`` is for all quiet, and ``end`` for the end of a set, which lets a loop play on.
"""

OPEN: tuple[LooperState, ...] = ("recording", "overdubbing")
"""States that must not be left open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LooperPlan:
    """How one looper is reached.

    Attributes:
        looper: What the rig says of it.
        port: The port's name as the sender's plan has it; ``osc://…`` for OSC.

    Raises:
        ValueError: One of its messages cannot be sent.
    """

    looper: Looper
    port: str

    def __post_init__(self) -> None:
        for name in EDGES:
            if self.looper.edge(name) is not None:
                self.sent(name)

    def way(self, state: LooperState, wanted: str) -> Way | None:
        """Return the way to what is wanted, out of a state other than armed; None where there is none.

        From ``unknown``, a looper that has a toggle stays unknown unless it is cleared or records: whether there is a
        loop to play nobody knows, and a toggle must not rest on that.
        """
        ways = WAYS[state].get(wanted, ())
        found = next((way for way in ways if self._fits(way)), None)
        if found is not None and state == "unknown" and self.has_toggle and found.to not in ("idle", "recording"):
            return found._replace(to="unknown")
        return found

    @property
    def has_toggle(self) -> bool:
        """Whether what one of its edges does rests on its state."""
        edges = [self.looper.edge(name) for name in EDGES]
        return any(edge is not None and edge.kind == "toggle" for edge in edges)

    def sent(self, edge: str) -> tuple[bytes, ...]:
        """Return what goes out for an edge that the looper has: one group of MIDI messages, or each OSC message."""
        wires = self._edge(edge).messages
        if all(wire.kind == "osc" for wire in wires):
            return tuple(wire_bytes([wire], self.looper.channel) for wire in wires)
        return (wire_bytes(wires, self.looper.channel),)

    def left_sounding(self, edge: str) -> bytes:
        """Return the Note Offs of what an edge leaves sounding."""
        return hanging_notes(self._edge(edge).messages, self.looper.channel)

    def _fits(self, way: Way) -> bool:
        edge = self.looper.edge(way.edge)
        return edge is not None and way.only in (None, edge.kind)

    def _edge(self, name: str) -> LooperEdge:
        edge = self.looper.edge(name)
        if edge is None:
            raise ValueError(f"looper {self.looper.name!r} has no edge {name!r}")
        return edge


_HINTS: dict[LooperState, str] = {
    "idle": "it is empty; arm it to record",
    "recording": "it records; close that first, with arm, fire or play",
    "playing": "it plays a loop; clear that first to record another",
    "overdubbing": "it overdubs; end that first, with overdub or play",
    "stopped": "it holds a loop and is silent; play it, or clear it first to record another",
}


def why_not(plan: LooperPlan, state: LooperState, wanted: str) -> str:
    """Return in words why there is no way from a state to what is wanted, and what to do."""
    ways = WAYS[state].get(wanted, ())
    if state == "unknown":
        say = f'look, and say it, as in "looper is: {plan.looper.name}, playing"'
        return f"nobody knows what it does, and no absolute message of its table does that; {say}"
    if ways and all(plan.looper.edge(way.edge) is None for way in ways):
        return f"its table has no message for that; give it {' or '.join(dict.fromkeys(way.edge for way in ways))}"
    return _HINTS[state]
