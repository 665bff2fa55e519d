"""One looper as a state machine: what was asked of it, what is due on it, and what it does as far as messages tell."""

from __future__ import annotations

from math import ceil, inf
from typing import Final, cast

from bridge.events import Fact
from bridge.events_foot import ActionRefused, LooperChanged, LoopMeasured
from bridge.events_hand import LoopChanged, LoopState
from bridge.rig_foot import LooperState
from bridge.send.beats import DeckBeats
from bridge.send.loop_edges import OPEN, LooperPlan, Way, why_not
from bridge.send.loop_out import LoopOut
from bridge.send.loop_watch import LoopWatch
from bridge.send.schedule import Message

BESIDE_S = 0.03
"""A recording that would begin later than this, in seconds, waits for the next moment that its table allows."""

LATEST_S = 0.05
"""What its port would send later than this, in seconds, is left out; what its port does by itself is so far ahead."""

GRACE_S = 0.1
"""So long after its time a recording is closed by its port's own process, in seconds, if the sender stands still."""

MOVED_S = GRACE_S / 4
"""A close that moved by more than this, in seconds, is told to the port's process."""

_LOOPS: dict[LooperState, LoopState] = {
    "idle": "stopped",
    "recording": "recording",
    "playing": "playing",
    "overdubbing": "recording",
    "stopped": "stopped",
}
"""What a pedal is told that its looper does; ``armed`` and ``unknown`` change nothing,"""

_MEANT: dict[str, LoopState] = {"overdub": "recording", "play": "playing", "stop": "stopped"}
"""but what was sent to one that stays unknown does."""


class OneLooper:
    """One looper. Its deck is shared: its owner tells it how it stands. Host times must not run backwards.

    Args:
        plan: How it is reached.
        deck: The deck that it listens to.

    Attributes:
        plan: How it is reached.
        state: What it does, as far as anybody knows. A set begins with it empty.
    """

    def __init__(self, plan: LooperPlan, deck: DeckBeats) -> None:
        self.plan: Final = plan
        self.state: LooperState = "idle"
        self._looper = plan.looper
        self._deck = deck
        self._latency_s = plan.looper.latency_ms / 1e3
        self._box: LooperState = "idle"  # what it does; armed is only what it waits for
        self._beat: float | None = None  # the beat on which it is to record or to close,
        self._at = inf  # or else the host time at which that is to go out
        self._why = ""
        self._out = LoopOut(plan)
        self._watch = LoopWatch(deck)
        self._loop: LoopState = "stopped"

    def ask(self, verb: str, now: float, said: str = "") -> list[Fact]:
        """Do what is asked, or say why not; as `bridge.send.loopers.Loopers.ask`."""
        if verb == "looper is":
            return self._hear(cast(LooperState, said), now)
        if self.state == "armed" and verb in ("arm", "stop"):
            return self._disarm(now, "disarmed")
        if self._out.gone:
            return self._refuse(verb, now, f'its port "{self.plan.port}" is gone; plug it in, or use its own switch')
        if verb == "arm":
            return self._close_next(now) if self.state == "recording" else self._arm(now)
        if verb == "fire":
            return self._fire(now)
        if self.state == "armed":
            return self._refuse(verb, now, "it is armed; arm it again to disarm it")
        return self._go_or_refuse(verb, verb, now, f"{verb} by hand")

    def missed(self, data: bytes, now: float) -> list[Fact]:
        """Take in that its port left out what was given out; as `bridge.send.loopers.Loopers.missed`."""
        if not self._out.sent_lately(data):
            return []
        self._out.settle(now)
        return self._doubt(now, "its message came too late and was left out")

    def lost_port(self, now: float) -> list[Fact]:
        """Take in that its port is gone: what was on its way may not have arrived."""
        return self._doubt(now, "its port went away before it surely had the message") if self._out.lost(now) else []

    def opened_port(self, now: float) -> list[Fact]:
        """Take in that its port is back. Its process may have closed what was open, which is made certain."""
        self._out.gone = False
        if self._out.undo_way is None:
            return []
        way = self._certain(self._out.undo_way)
        if way is None:
            self._out.settle(now)
            return self._doubt(now, "its port came back, and may have closed it")
        return self._do(way, now, self._counts(now), "made certain, since its port came back")

    def quiet(self, now: float, wanted: str) -> list[Fact]:
        """Disarm it, and close it if an absolute message can; ``wanted`` is "quiet" or "end"."""
        why = "all quiet" if wanted == "quiet" else "the set ended"
        facts = self._disarm(now, why) if self.state == "armed" else []
        way = None if self._out.gone else self.plan.way(self._box, wanted)
        if way is not None:
            facts += self._do(way, now, self._counts(now), why)
        self._out.release(now)
        if way is not None:
            return facts
        if self._box in (*OPEN, "unknown") or (self._box == "playing" and wanted == "quiet"):
            what = "its port is gone" if self._out.gone else "none of its messages ends that whatever it does"
            facts += self._refuse("all quiet", now, f"it stays {self._box}: {what}; use its own switch")
        return facts

    def next_due(self, now: float) -> float:
        """Return the host time in seconds of what is due next, perhaps in the past; inf for nothing."""
        self._aim(now)
        moved = now if self._undo_moved() else inf
        return min(self._out.next_due(), self._moment(), self._too_late(), self._watch.next_due(), moved)

    def due(self, now: float) -> tuple[list[Message], list[Fact]]:
        """Take what is to be sent at host time ``now``, and what is to be told."""
        self._aim(now)
        facts: list[Fact] = []
        if min(self._moment(), self._too_late()) <= now:
            facts += self._record(now) if self.state == "armed" else self._close(now)
        if self._undo_moved():
            self._out.undo_by(self._moment() + GRACE_S, now)
        if (apart := self._watch.due(now)) is not None:
            facts.append(LoopMeasured(at=now, looper=self._looper.name, apart=apart[0], ms=apart[1]))
        return self._out.take(), facts

    def starts_in(self, now: float) -> float | None:
        """Return in how many seconds it records; None if it is not armed."""
        return max(0.0, self._moment() + self._latency_s - now) if self.state == "armed" else None

    def closes_in(self, now: float) -> float | None:
        """Return in how many seconds its recording closes; None if it does not by itself."""
        moment = self._moment() if self.state == "recording" else inf
        return max(0.0, moment + self._latency_s - now) if moment < inf else None

    @property
    def plays(self) -> tuple[float, float, float] | None:
        """The loop that plays, as `bridge.send.loop_watch.LoopWatch.plays`."""
        return self._watch.plays

    def apart(self, now: float) -> tuple[float, float] | None:
        """Return how far the tape is ahead of the loop, in beats and ms; None where nothing is to be told."""
        return self._watch.apart(now)

    def _arm(self, now: float) -> list[Fact]:
        if self.plan.way(self._box, "record") is None:
            return self._refuse("arm", now, why_not(self.plan, self._box, "record"))
        if self._box != "idle" and self._looper.clear is not None:
            holds = "may hold" if self._box == "unknown" else "holds"
            return self._refuse("arm", now, f"it {holds} a loop, which that would erase; clear it first")
        if self.plan.way("recording", "close") is None:
            return self._refuse("arm", now, "nothing in its table closes a recording; give it play or stop")
        if self._looper.starts_on == 0:
            self._beat, self._at, self._why = None, now, "at once"
            return self._change("armed", now, "armed")
        if not self._deck.known:
            why = f"deck {self._deck.name} has no beat yet; tap one, or wait until it is followed"
            return self._refuse("arm", now, why)
        self._beat = self._deck.next_start(self._looper.starts_on, now + self._latency_s)
        if self._beat is None:
            return self._refuse("arm", now, f"nobody knows the bars of deck {self._deck.name}; press this is one first")
        self._at, self._why = inf, "on the beat"
        return self._change("armed", now, "armed")

    def _fire(self, now: float) -> list[Fact]:
        if self.state == "armed":
            self._beat, self._at, self._why = None, now, "fired by hand"
            return []
        if self.state == "recording":
            return self._go_or_refuse("fire", "close", now, "fired by hand")
        return self._refuse("fire", now, "it is not armed and records nothing; arm it first")

    def _close_next(self, now: float) -> list[Fact]:
        """Have the recording closed at the next moment that the table allows, unless it is closed before that."""
        if self.plan.way("recording", "close") is None:
            return self._refuse("arm", now, why_not(self.plan, "recording", "close"))
        beat = self._next_close(now + self._latency_s)
        if beat is None:
            self._beat, self._at, self._why = None, min(self._at, now), "closed by hand"
        elif self._at == inf and (self._beat is None or beat < self._beat):
            self._beat, self._why = beat, "closed by hand"
        return []

    def _next_close(self, at: float) -> float | None:
        """Return the next beat on which the recording may be closed by hand; None for at once.

        A close never waits for want of bars: then its moments are counted from the recording's own beginning.
        """
        starts_on, opened = self._looper.starts_on, self._watch.opened_beat
        beat = self._deck.beat_at(at)
        if starts_on == 0 or beat is None:
            return None
        every = self._deck.bar if starts_on == -1 else starts_on
        found: float | None = self._deck.next_start(starts_on, at)
        if found is None and opened is not None:
            found = opened + ceil((beat - opened) / every) * every
        if found is not None and opened is not None and found <= opened + 0.01:
            found += every
        return found

    def _hear(self, said: LooperState, now: float) -> list[Fact]:
        """Take in what somebody says that it does: the hand took over, so that nothing planned is done."""
        if said == self.state:
            return []
        if said == "unknown":
            return self._doubt(now, "its own switch was pressed")
        beats = self._follow(said, now) if said != self._box else None
        if said not in OPEN:
            self._out.settle(now)
        else:
            self._out.undo_by(inf, now)
        return self._change(said, now, "said by hand", beats)

    def _aim(self, now: float) -> None:
        """Aim anew where somebody said meanwhile that bars begin elsewhere."""
        if self.state != "armed" or self._beat is None:
            return
        starts_on = self._looper.starts_on
        allowed = self._deck.next_start(starts_on, self._deck.at_of(self._beat))
        if allowed is not None and allowed != self._beat:
            self._beat = self._deck.next_start(starts_on, now + self._latency_s)

    def _moment(self) -> float:
        """Return the host time in seconds at which it is to be told to record or to close; inf for never."""
        return self._at if self._beat is None else self._deck.at_of(self._beat) - self._latency_s

    def _too_late(self) -> float:
        """Return the host time in seconds from which on its port may have closed its recording by itself."""
        return self._out.undo_at - LATEST_S if self.state == "recording" else inf

    def _undo_moved(self) -> bool:
        """Return whether the moment of the close has moved away from that which its port knows."""
        if self.state != "recording" or self._out.undo_way is None or self._out.gone:
            return False
        by = self._moment() + GRACE_S
        return by != self._out.undo_at and not abs(by - self._out.undo_at) <= MOVED_S

    def _record(self, now: float) -> list[Fact]:
        """Begin to record, unless it is too late for this moment, or the beat was lost."""
        at, why, lost, allowed = self._moment(), self._why, "", None
        late = now - at > BESIDE_S
        if self._beat is None:
            at = now if late else at
        else:
            allowed = self._deck.next_start(self._looper.starts_on, now + self._latency_s)
            lost = "the bars were lost" if allowed is None else "" if self._deck.heard else "the beat was lost"
        if lost and self._looper.if_lost == "give up":
            return self._disarm(now, lost)
        if late and self._beat is not None:
            self._beat = self._deck.next_start(1, now + self._latency_s) if allowed is None else allowed
            return []
        if self._out.gone:
            return self._disarm(now, "its port was gone")
        return self._begin(at, now, "on the held beat" if lost else why)

    def _begin(self, at: float, now: float, why: str) -> list[Fact]:
        way = self.plan.way(self._box, "record")
        assert way is not None  # it could be armed
        counts = self._counts(now)
        begins, bars = self._deck.beat_at(counts), self._looper.bars
        closes = None if begins is None or bars is None else begins + bars * self._deck.bar
        undo_at = inf if closes is None else self._deck.at_of(closes) - self._latency_s + GRACE_S
        if bars is not None and closes is None:
            why += "; without a beat its bars cannot be counted: close it by hand"
        until = inf if self.plan.has_toggle else now + LATEST_S
        facts = self._do(way, at, counts, why, until, undo_at)
        self._beat, self._why = closes, "its bars were over"
        return facts

    def _close(self, now: float) -> list[Fact]:
        """Close the recording, by what is absolute if it is late: its port may have closed it meanwhile."""
        if self._out.gone:
            return self._doubt(now, "its port was gone when it was to be closed")
        at, too_late = self._moment(), now - self._moment() > LATEST_S or now >= self._too_late()
        way = (self._out.undo_way if too_late else None) or self.plan.way("recording", "close")
        assert way is not None  # it could be opened
        return self._do(way, min(at, now), self._counts(min(now, self._out.undo_at)), self._why)

    def _certain(self, undo: Way) -> Way | None:
        """Return the absolute way to what it is thought to do, though its port may have undone it; None for none."""
        if self._box in OPEN:
            return self.plan.way(self._box, undo.edge)
        newest = self._out.newest_way
        if self._box == "unknown":
            edge = undo.edge if newest is None or newest.edge in ("record", "overdub") else newest.edge
            return self.plan.way("unknown", edge) or self.plan.way("unknown", undo.edge)
        edge = {"playing": "play", "stopped": "stop"}.get(self._box, "clear")
        known = self._looper.edge(edge)
        return Way(edge, self._box) if known is not None and known.kind == "absolute" else None

    def _go_or_refuse(self, verb: str, wanted: str, now: float, why: str) -> list[Fact]:
        way = self.plan.way(self._box, wanted)
        if way is None:
            return self._refuse(verb, now, why_not(self.plan, self._box, wanted))
        return self._do(way, now, self._counts(now), why)

    def _do(self, way: Way, at: float, counts: float, why: str, until: float = inf, undo_at: float = inf) -> list[Fact]:
        self._out.send(way, at, until, undo_at)
        beats = self._follow(way.to, counts)
        return self._change(way.to, counts, why, beats, _LOOPS.get(way.to) or _MEANT.get(way.edge))

    def _counts(self, at: float) -> float:
        """Return when a message counts that goes out at a host time in seconds."""
        return at + self._latency_s

    def _follow(self, to: LooperState, at: float) -> float | None:
        """Let the watch follow to another state; return the length in beats of a recording that ends by it."""
        beats = self._watch.close(at) if self._box == "recording" and to != "recording" else None
        if to == "recording":
            self._watch.open(at)
        elif to in ("idle", "unknown"):
            self._watch.forget()
        elif to == "stopped" or self._box == to:  # one that plays and is told to play may begin anew, or not
            self._watch.pause()
        elif self._box == "recording":
            self._watch.play_on(at)
        elif self._box == "stopped":
            self._watch.play_again(at)
        return beats

    def _disarm(self, now: float, why: str) -> list[Fact]:
        return self._change(self._box, now, why)

    def _doubt(self, now: float, why: str) -> list[Fact]:
        """Take in that nobody knows what it does. What is open is still closed if the sender vanishes."""
        self._watch.forget()
        if not self._out.gone:
            self._out.undo_by(inf, now)
        return [] if self.state == "unknown" else self._change("unknown", now, why)

    def _change(
        self, to: LooperState, at: float, why: str, beats: float | None = None, loop: LoopState | None = None
    ) -> list[Fact]:
        """Go to another state, with nothing planned there but what it is armed for."""
        was, self.state = self.state, to
        if to != "armed":
            self._box, self._beat, self._at = to, None, inf
        facts: list[Fact] = [LooperChanged(at=at, looper=self._looper.name, was=was, now=to, why=why, beats=beats)]
        loop = loop or _LOOPS.get(to) or self._loop
        if self._looper.pedal is not None and loop != self._loop:
            facts.append(LoopChanged(at=at, pedal=self._looper.pedal, loop=loop))
        self._loop = loop
        return facts

    def _refuse(self, verb: str, now: float, why: str) -> list[Fact]:
        return [ActionRefused(at=now, action=f"{verb}: {self._looper.name}", why=why)]
