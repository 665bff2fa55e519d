"""All loopers of a rig: what the foot asks of them, and what is due on their ports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf

from bridge.actions import LOOP_STATES
from bridge.events import Fact
from bridge.rig_foot import Looper, LooperState
from bridge.send.beats import DeckBeats
from bridge.send.loop_edges import LooperPlan
from bridge.send.looper import OneLooper
from bridge.send.schedule import Due, Message

__all__ = ["LooperPlan", "LooperView", "Loopers"]

VERBS = ("arm", "fire", "overdub", "play", "stop", "clear", "looper is")
"""What of `bridge.actions.VERBS` is asked of a looper."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LooperView:
    """How one looper stands, for a screen.

    Attributes:
        name: The looper's name.
        state: What it does, as far as anybody knows.
        starts_in_s: In how many seconds it records; None if it is not armed.
        closes_in_s: In how many seconds its recording closes; None if it does not by itself.
        apart_beats: Beats by which the tape is ahead of the loop, -0.5..0.5; None where nobody knows.
        apart_ms: The same in ms.
    """

    name: str
    state: LooperState
    starts_in_s: float | None = None
    closes_in_s: float | None = None
    apart_beats: float | None = None
    apart_ms: float | None = None


class Loopers:
    """The loopers of a rig, each a state machine that changes only by what is sent or told.

    A set begins with all of them empty; one that is not is to be told (``looper is``). A toggle is sent only while the
    state is known. An ``arm`` never erases a loop where the looper has a ``clear``. Nothing is begun more than 30 ms
    late; what is to be closed is closed however late it is. A ``now`` that runs backwards counts as the latest seen.

    Args:
        plans: The loopers, no two of one name.
        decks: Decks by name; their owner tells them how they stand.

    Raises:
        ValueError: Two loopers have one name, or one listens to a deck that is not there.
    """

    def __init__(self, plans: tuple[LooperPlan, ...], decks: Mapping[str, DeckBeats]) -> None:
        self._loopers: dict[str, OneLooper] = {}
        self._now = -inf
        for plan in plans:
            name, deck = plan.looper.name, plan.looper.listens_to
            if name in self._loopers:
                raise ValueError(f"two loopers are called {name!r}")
            if deck not in decks:
                raise ValueError(f"looper {name!r} listens to {deck!r}; known: {', '.join(decks)}")
            self._loopers[name] = OneLooper(plan, decks[deck])

    @property
    def states(self) -> Mapping[str, LooperState]:
        """The state of each looper by its name."""
        return {name: looper.state for name, looper in self._loopers.items()}

    def armed(self, looper: str) -> bool:
        """Return whether a looper waits to record."""
        return self._loopers[looper].state == "armed"

    def ask(self, verb: str, looper: str, now: float, said: str = "") -> list[Fact]:
        """Do what the foot asks, or say in words why not. Messages come out of `due`, which has them at once.

        Args:
            verb: One of `VERBS`, as `bridge.actions.VERBS` tells it.
            looper: The looper's name.
            now: Host time in seconds.
            said: For ``looper is``: one of `bridge.actions.LOOP_STATES`.

        Raises:
            ValueError: There is no such verb, looper or state.
        """
        if verb not in VERBS or (verb == "looper is" and said not in LOOP_STATES):
            raise ValueError(f"no looper can be asked for {verb!r} {said!r}")
        if looper not in self._loopers:
            raise ValueError(f"there is no looper called {looper!r}; known: {', '.join(self._loopers)}")
        return self._loopers[looper].ask(verb, self._seen(now), said)

    def next_due(self, now: float) -> float:
        """Return the host time in seconds at which `due` has something, perhaps in the past; inf for nothing.

        It moves as the decks' beats move.
        """
        now = self._seen(now)
        return min((looper.next_due(now) for looper in self._loopers.values()), default=inf)

    def due(self, now: float) -> Due:
        """Take what is to be sent at host time ``now``, and what is to be told; a second call then has nothing more."""
        now = self._seen(now)
        messages: list[Message] = []
        facts: list[Fact] = []
        for looper in self._loopers.values():
            sent, told = looper.due(now)
            messages += sent
            facts += told
        return Due(tuple(messages), tuple(facts))

    def missed(self, port: str, data: bytes, now: float) -> list[Fact]:
        """Take in that a message which was given out came too late to its port, and was left out: what its looper
        does is unknown from then on.
        """
        now = self._seen(now)
        return [fact for looper in self._on(port) for fact in looper.missed(data, now)]

    def lost_port(self, port: str, now: float) -> list[Fact]:
        """Take in that a port is gone: until it is back nothing is sent there, and what is asked is refused."""
        now = self._seen(now)
        return [fact for looper in self._on(port) for fact in looper.lost_port(now)]

    def opened_port(self, port: str, now: float) -> list[Fact]:
        """Take in that a port came, or came back: a recording that was open when it went is closed."""
        now = self._seen(now)
        return [fact for looper in self._on(port) for fact in looper.opened_port(now)]

    def quiet(self, now: float) -> list[Fact]:
        """Disarm all loopers, and close and silence them as far as absolute messages can; these come out of `due`."""
        now = self._seen(now)
        return [fact for looper in self._loopers.values() for fact in looper.quiet(now, "quiet")]

    def end(self, now: float) -> list[Fact]:
        """The same at the end of a set, but let loops play on that only play."""
        now = self._seen(now)
        return [fact for looper in self._loopers.values() for fact in looper.quiet(now, "end")]

    @property
    def loops(self) -> Mapping[str, tuple[float, float, float]]:
        """Loops that play, by their loopers' names: when they began once, their length in beats, and in seconds."""
        return {name: looper.plays for name, looper in self._loopers.items() if looper.plays is not None}

    def view(self, now: float) -> tuple[LooperView, ...]:
        """Return how the loopers stand at host time ``now``."""
        now = self._seen(now)
        return tuple(_view(looper, now) for looper in self._loopers.values())

    def _on(self, port: str) -> list[OneLooper]:
        return [looper for looper in self._loopers.values() if looper.plan.port == port]

    def _seen(self, now: float) -> float:
        self._now = max(self._now, now)
        return self._now


def never_closed(looper: Looper) -> bool:
    """Return whether nothing closes a recording of this looper if all else fails: none of its messages is absolute."""
    return LooperPlan(looper=looper, port=looper.port).way("overdubbing", "undo") is None


def _view(looper: OneLooper, now: float) -> LooperView:
    beats, ms = looper.apart(now) or (None, None)
    return LooperView(
        name=looper.plan.looper.name,
        state=looper.state,
        starts_in_s=looper.starts_in(now),
        closes_in_s=looper.closes_in(now),
        apart_beats=beats,
        apart_ms=ms,
    )
