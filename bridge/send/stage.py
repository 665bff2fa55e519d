"""What plays by itself or by foot, in the sender: the decks' beats, loopers, cues and lamps, and every action.

Things of the sender are done here; what is about decks and pedals comes back as facts, for the listener and the ports.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import chain

from bridge.actions import Action
from bridge.events import Fact, MarkPlaced
from bridge.events_foot import ActionRefused, AllQuieted, BarCounted, DeckStands
from bridge.events_hand import (
    BeatRecounted,
    BeatShifted,
    BeatTapped,
    HandsOff,
    HandsOn,
    PedalTurned,
    StepAllowed,
    TapeChosen,
    TempoKept,
    TempoLetGo,
    TempoNudged,
)
from bridge.send.beats import DeckBeats
from bridge.send.cues import CuePlan, Cues
from bridge.send.lamps import LampPlan, Lamps
from bridge.send.loopers import LooperPlan, Loopers
from bridge.send.plan import StagePlan
from bridge.send.schedule import Due, Message
from bridge.send.stage_view import Meetings, bar_line, cue_line, looper_line
from bridge.units import RANGE_SLACK

NUDGE_PERCENT = 0.5
"""How far ``faster`` and ``slower`` move a tempo: 0.5 % is 9 cents, just heard in a repeat beside its source."""

DEAF_S = 1.5
"""A deck of which nothing was told for so long, in seconds, is not heard: its listener is gone."""

ASK_AGAIN = 8
"""Actions that cues may set off in a row before the rest waits for the next turn."""


class Stage:
    """Everything that is played by itself or by foot. Pure: host times arrive, and never run backwards.

    Args:
        plan: What there is.
        began_at: Host time in seconds at which the take began.
    """

    def __init__(self, plan: StagePlan, began_at: float) -> None:
        self._plan = plan
        self._decks = {deck.name: DeckBeats(deck.name, deck.beats_in_bar) for deck in plan.decks}
        self._tapes = dict.fromkeys(self._decks, -1)  # the tape that is in each deck
        self.loopers = Loopers(
            tuple(LooperPlan(looper=x, port=plan.port_of(x.port, x.record.messages)) for x in plan.loopers), self._decks
        )
        cues = tuple(CuePlan(cue=cue, port=plan.port_of(cue.port, cue.messages)) for cue in plan.cues)
        self._cues = Cues(cues, self._decks, began_at)
        self._lamps = Lamps(tuple(LampPlan(lamp=lamp, port=lamp.port) for lamp in plan.lamps), self._decks)
        self._meetings = Meetings(self._decks.values())
        self._fed = set(plan.begun)  # decks of which a pedal may have a tempo though there was no beat
        self._kept: set[str] = set()
        self._off: set[str] = set()
        self._ended = False

    def hear(self, stands: DeckStands, fresh: bool, now: float) -> None:
        """Take in how a deck stands; ``fresh`` with the first word about it of a listener that was just started."""
        deck = self._decks.get(stands.deck)
        if deck is not None:
            self._cues.hear(stands, fresh, now)
            deck.take(replace(stands, runs=self._cues.runs(stands.deck)))  # a new listener hears nothing at first
            self._meetings.hear(stands.deck)

    def lose_phase(self) -> None:
        """Take in that the machine slept while the tapes ran on."""
        for deck in self._decks.values():
            deck.lose_phase()

    def tend(self, now: float) -> None:
        """Take in that time passes: a deck that nobody tells of is not heard any more, though its beat goes on."""
        self._meetings.look(self.loopers, now)
        for deck in self._decks.values():
            if deck.stands is not None and now - deck.stands.at > DEAF_S:
                deck.unheard()

    def do(self, action: Action, at: float, now: float, wall: float) -> list[Fact]:
        """Do what is asked, and return what it comes to.

        Args:
            action: With names of this rig.
            at: Host time in seconds at which it was asked for.
            now: Host time in seconds.
            wall: Wall time at ``at``, in seconds since 1970 UTC.
        """
        if action.verb in ("arm", "fire", "overdub", "play", "stop", "clear", "looper is"):
            name, *said = action.names
            return self.loopers.ask(action.verb, name, now, *said)
        match action.verb:
            case "cue":
                self._cues.fire(action.names[0], now)
                return []
            case "mark":
                self._cues.marked(action.names[0], at)
                return [MarkPlaced(at=at, wall=wall, text=action.names[0])]
            case "this is one":
                return self._count_one(action, at)
            case "next tape":
                return self._next_tape(action, at)
            case "all quiet":
                self._cues.quiet(now)
                return [*self.loopers.quiet(now), AllQuieted(at=at)]
        if action.verb in ("twice", "half") and (why := self._why_not_counted(action)):
            return [ActionRefused(at=at, action=str(action), why=why)]
        if action.verb in ("keep", "faster", "slower") and not self._has_tempo(action.names[0]):
            why = "there is no tempo to hold: the deck had no beat yet. Wait for one, or tap it"
            return [ActionRefused(at=at, action=str(action), why=why)]
        return self._noted(_told(action, at))

    def next_due(self, now: float) -> float:
        """Return the host time in seconds of what is due next, perhaps in the past; inf for nothing."""
        self._show()
        return min(part.next_due(now) for part in (self.loopers, self._cues, self._lamps))

    def due(self, now: float, wall: Callable[[], float]) -> Due:
        """Take what is to be sent at host time ``now``, and what is to be told; ``wall`` tells the wall time."""
        messages: list[Message] = []
        facts: list[Fact] = []
        for _ in range(ASK_AGAIN):
            fired = self._cues.due(now)
            messages += fired.messages
            facts += fired.facts
            facts += chain.from_iterable(self.do(action, now, now, wall()) for action in fired.actions)
            if not fired.actions:
                break
        loops = self.loopers.due(now)
        self._show()
        return Due((*messages, *loops.messages, *self._lamps.due(now)), (*facts, *loops.facts))

    def lines(self, now: float) -> tuple[str, ...]:
        """Return what is to be seen of it all, the most pressing first."""
        loopers = [looper_line(view) for view in self.loopers.view(now) if view.state != "idle"]
        bars = [line for deck in self._decks.values() if (line := bar_line(deck, now))]
        return (*loopers, *map(cue_line, self._cues.view(now)), *bars, *self._meetings.lines(now))

    def missed(self, port: str, data: bytes, now: float) -> list[Fact]:
        """Take in that a message which was given out came too late to its port, and was left out."""
        return self.loopers.missed(port, data, now)

    def gone(self, port: str, now: float) -> list[Fact]:
        """Take in that a port is gone."""
        return self.loopers.lost_port(port, now)

    def opened(self, port: str, now: float) -> list[Fact]:
        """Take in that a port came, or came back."""
        self._lamps.opened(port, now)
        return self.loopers.opened_port(port, now)

    def end(self, now: float) -> list[Fact]:
        """End the set: close what records, put out the lamps, end held notes; that much is due at once."""
        self._ended = True
        self._cues.quiet(now)
        facts = self.loopers.end(now)
        self._lamps.end(now)
        return facts

    def _show(self) -> None:
        if not self._ended:
            self._lamps.show(self.loopers.states, self._kept, self._off)

    def _count_one(self, action: Action, at: float) -> list[Fact]:
        [deck] = action.names
        if self._decks[deck].count_one(at):
            return [BarCounted(at=at, deck=deck)]
        return [ActionRefused(at=at, action=str(action), why="the deck has no beat yet; tap one first")]

    def _has_tempo(self, deck: str) -> bool:
        return deck in self._fed or self._decks[deck].tempo is not None

    def _why_not_counted(self, action: Action) -> str:
        """Return why a deck cannot be counted twice or half as fast; empty if it can."""
        [name] = action.names
        tempo = self._decks[name].tempo
        if tempo is None:
            return "the deck has no beat yet; tap one first"
        low, high = next(deck.tempo_range for deck in self._plan.decks if deck.name == name)
        wanted = tempo * (2.0 if action.verb == "twice" else 0.5)
        if low / RANGE_SLACK <= wanted <= high * RANGE_SLACK:
            return ""
        return f"{wanted:.0f} bpm is outside the deck's tempo_range, {low:g}..{high:g}"

    def _next_tape(self, action: Action, at: float) -> list[Fact]:
        [name] = action.names
        tapes = next(deck.tapes for deck in self._plan.decks if deck.name == name)
        if not tapes:
            why = "the rig lists no tapes for it; write [[decks.tapes]] below the deck"
            return [ActionRefused(at=at, action=str(action), why=why)]
        self._tapes[name] = (self._tapes[name] + 1) % len(tapes)
        tape = tapes[self._tapes[name]]
        return [TapeChosen(at=at, deck=name, tape=tape.name, tempo=tape.tempo)]

    def _noted(self, fact: Fact) -> list[Fact]:
        """Note what the lamps show of it."""
        match fact:
            case HandsOff():
                self._off.add(fact.pedal)
            case HandsOn():
                self._off.discard(fact.pedal)
            case TempoKept() | TempoNudged():
                self._kept.add(fact.deck)
            case TempoLetGo():
                self._kept.discard(fact.deck)
            case PedalTurned():
                self._fed.add(fact.deck)  # it brings its own
        return [fact]


def _told(action: Action, at: float) -> Fact:
    """Return what an action about decks and pedals is as a fact."""
    name, *more = action.names
    match action.verb:
        case "tap":
            return BeatTapped(at=at, deck=name)
        case "keep":
            return TempoKept(at=at, deck=name)
        case "let go":
            return TempoLetGo(at=at, deck=name)
        case "twice" | "half":
            return BeatRecounted(at=at, deck=name, factor=2.0 if action.verb == "twice" else 0.5)
        case "off-beat":
            return BeatShifted(at=at, deck=name)
        case "faster" | "slower":
            return TempoNudged(at=at, deck=name, percent=NUDGE_PERCENT if action.verb == "faster" else -NUDGE_PERCENT)
        case "hands off":
            return HandsOff(at=at, pedal=name)
        case "hands on":
            return HandsOn(at=at, pedal=name)
        case "go":
            return StepAllowed(at=at, pedal=name)
        case "listens to":
            return PedalTurned(at=at, pedal=name, deck=more[0])
    raise ValueError(f"nothing is known of the verb {action.verb!r}")
