"""The cues of a rig: what is done by itself at a moment, once, however often the listener is killed meanwhile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Final, NamedTuple

from bridge.actions import Action
from bridge.events import Fact
from bridge.events_foot import ActionRefused, CueFired, DeckStands
from bridge.rig_foot import Cue, CueWhen
from bridge.send.beats import DeckBeats
from bridge.send.cue_waits import BarsAfterMark, Crossing, DeckHeard, words_of
from bridge.send.messages import hanging_notes, wire_bytes
from bridge.send.schedule import Message

SHOWN = 3
"""So many cues are shown ahead."""

LATE_S = 0.05
"""What is done later than this after its moment, in seconds, counts from when it was done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CuePlan:
    """How one cue's messages go out.

    Attributes:
        cue: What the rig says of it.
        port: The port's name as the sender's plan has it; ``osc://…`` for OSC; empty for a cue without messages.

    Raises:
        ValueError: One of its messages cannot be sent, or OSC is mixed with MIDI.
    """

    cue: Cue
    port: str

    def __post_init__(self) -> None:
        self.sent()

    def sent(self) -> tuple[bytes, ...]:
        """Return what goes out: one group of MIDI messages, or each OSC message."""
        cue = self.cue
        if all(wire.kind == "osc" for wire in cue.messages):
            return tuple(wire_bytes([wire], cue.channel) for wire in cue.messages)
        return (wire_bytes(cue.messages, cue.channel),)

    def left_sounding(self) -> bytes:
        """Return the Note Offs of what the messages leave sounding."""
        return hanging_notes(self.cue.messages, self.cue.channel)


class Fired(NamedTuple):
    """What cues want done now.

    Attributes:
        messages: What to send, in order.
        actions: What to do then, in order.
        facts: What happened.
    """

    messages: tuple[Message, ...]
    actions: tuple[Action, ...]
    facts: tuple[Fact, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CueView:
    """A cue that is still to come, for a screen.

    Attributes:
        name: The cue's name.
        waits_for: The moment, in words, and what is missing to know it.
        in_s: In how many seconds it fires; None where nobody knows.
    """

    name: str
    waits_for: str
    in_s: float | None = None


class Cues:
    """The cues of a rig.

    All that makes a cue fire is seen here, from words that tell how decks stand, so that a listener which is killed at
    any instant makes none fire twice and loses none: see `bridge.send.cue_waits.DeckHeard`. A cue that is not
    ``again`` fires once a take, by itself or by hand; one that is late fires late. A ``now`` that runs backwards
    counts as the latest seen.

    Args:
        plans: The cues, no two of one name.
        decks: Decks by name; their owner tells them how they stand, after it told the cues.
        began_at: Host time in seconds at which the take began.

    Raises:
        ValueError: Two cues have one name, or one is about a deck that is not there.
    """

    def __init__(self, plans: tuple[CuePlan, ...], decks: Mapping[str, DeckBeats], began_at: float) -> None:
        self._cues: dict[str, _OneCue] = {}
        self._heard = {name: DeckHeard() for name in decks}
        self._facts: list[Fact] = []
        self._now = -inf
        for plan in plans:
            name, deck = plan.cue.name, plan.cue.trigger.deck
            if name in self._cues:
                raise ValueError(f"two cues are called {name!r}")
            if deck is not None and deck not in decks:
                raise ValueError(f"cue {name!r} is about {deck!r}; known: {', '.join(decks)}")
            self._cues[name] = _OneCue(plan, None if deck is None else decks[deck], began_at)

    def runs(self, deck: str) -> bool:
        """Return whether a deck runs, as far as its listener is to be believed.

        Raises:
            KeyError: There is no such deck.
        """
        return self._heard[deck].runs

    def hear(self, stands: DeckStands, fresh: bool, now: float) -> None:
        """Take in how a deck stands, before its `DeckBeats` does. A deck that is not there is left out.

        Args:
            stands: The word.
            fresh: Whether it is the first about this deck of a listener that was just started.
            now: Host time in seconds.
        """
        now = self._seen(now)
        heard = self._heard.get(stands.deck)
        if heard is None:
            return
        happened = heard.take(stands, fresh)
        for cue in self._cues.values():
            if cue.plan.cue.trigger.deck == stands.deck:
                cue.hear(stands, happened, now)

    def marked(self, text: str, at: float) -> None:
        """Take in a mark that was placed at a host time in seconds."""
        for cue in self._cues.values():
            cue.marked(text, at)

    def fire(self, cue: str, now: float) -> None:
        """Fire a cue by hand; one that fired and is not ``again`` is refused. Either comes out of `due`.

        Raises:
            ValueError: There is no such cue.
        """
        now = self._seen(now)
        if cue not in self._cues:
            raise ValueError(f"there is no cue called {cue!r}; known: {', '.join(self._cues)}")
        if not self._cues[cue].want(now, "by hand"):
            why = "it fired in this take; write again = true in its table to let it fire more often"
            self._facts.append(ActionRefused(at=now, action=f"cue: {cue}", why=why))

    def quiet(self, now: float) -> None:
        """End the notes that messages of cues left sounding; that comes out of `due`."""
        now = self._seen(now)
        for cue in self._cues.values():
            cue.quiet(now)

    def next_due(self, now: float) -> float:
        """Return the host time in seconds at which `due` has something, perhaps in the past; inf for nothing.

        It moves as the decks' beats move.
        """
        now = self._seen(now)
        return now if self._facts else min((cue.next_due(now) for cue in self._cues.values()), default=inf)

    def due(self, now: float) -> Fired:
        """Take what is to be done at host time ``now``, earliest first; a second call then has nothing more."""
        now = self._seen(now)
        facts, self._facts = self._facts, []
        messages: list[Message] = []
        actions: list[Action] = []
        for cue in sorted(self._cues.values(), key=lambda cue: cue.next_due(now)):
            fired = cue.due(now)
            messages += fired.messages
            actions += fired.actions
            facts += fired.facts
        return Fired(tuple(messages), tuple(actions), tuple(facts))

    def view(self, now: float) -> tuple[CueView, ...]:
        """Return the next three cues at host time ``now``: first those whose time is known, last those by hand."""
        now = self._seen(now)
        coming = [cue for cue in self._cues.values() if not cue.spent]
        coming.sort(key=lambda cue: (cue.next_due(now), cue.by_hand))
        return tuple(cue.view(now) for cue in coming[:SHOWN])

    def _seen(self, now: float) -> float:
        self._now = max(self._now, now)
        return self._now


class _OneCue:
    """One cue. Host times must not run backwards.

    Attributes:
        plan: How its messages go out.
        spent: Whether it fired, or is about to, and does not fire again.
        by_hand: Whether nothing else fires it.
    """

    def __init__(self, plan: CuePlan, deck: DeckBeats | None, began_at: float) -> None:
        self.plan: Final = plan
        self.spent = False
        trigger = plan.cue.trigger
        self.by_hand: Final = trigger.when == "by hand"
        self._why: Final = words_of(trigger)
        self._time = began_at + trigger.seconds if trigger.when == "time" else inf
        self._crossing = Crossing(trigger) if trigger.when in ("above", "below") else None
        self._bars = BarsAfterMark(trigger, deck) if trigger.when == "bars after mark" and deck is not None else None
        self._wanted: tuple[float, str] | None = None  # when, and why
        self._sounding = b""
        self._quiet_at = inf

    def hear(self, stands: DeckStands, happened: Sequence[CueWhen], now: float) -> None:
        """Take in how its deck stands, and what happened by that."""
        crossed = self._crossing is not None and self._crossing.take(stands)
        if crossed or self.plan.cue.trigger.when in happened:
            self.want(now, self._why)

    def marked(self, text: str, at: float) -> None:
        """Take in a mark. One that fires once counts from the first that fits."""
        if self._bars is not None and not self.spent and (self.plan.cue.again or not self._bars.marked):
            self._bars.mark(text, at)

    def want(self, at: float, why: str) -> bool:
        """Let it fire at a host time in seconds; return whether it may."""
        if self.spent:
            return False
        self.spent = not self.plan.cue.again
        self._wanted = self._wanted or (at, why)
        return True

    def quiet(self, now: float) -> None:
        """End what it left sounding, and what it is just about to begin."""
        if self._sounding or self._wanted is not None or self._moment(now) <= now:
            self._quiet_at = now

    def next_due(self, now: float) -> float:
        """Return the host time in seconds at which it does something; inf for not known."""
        return min(self._moment(now), self._quiet_at, inf if self._wanted is None else self._wanted[0])

    def due(self, now: float) -> Fired:
        """Take what it does at host time ``now``."""
        quiet_at, self._quiet_at = self._quiet_at, inf if self._quiet_at <= now else self._quiet_at
        moment = self._moment(now)
        if moment <= now:
            self._take_moment()
            self.want(moment, self._why)
        if self._wanted is None:
            return Fired(tuple(self._ended(now) if quiet_at <= now else ()), (), ())
        (wanted_at, why), self._wanted = self._wanted, None
        at = now if now - wanted_at > LATE_S else wanted_at
        messages = self._messages(at)
        if wanted_at <= quiet_at <= now:
            messages += self._ended(now)
        fact = CueFired(at=at, cue=self.plan.cue.name, why=why)
        return Fired(tuple(messages), self.plan.cue.does, (fact,))

    def view(self, now: float) -> CueView:
        """Return what it waits for."""
        moment = self._moment(now)
        lacks = self._bars.lacks() if self._bars is not None and self._bars.marked else ""
        waits_for = f"{self._why}; {lacks}" if lacks else self._why
        in_s = max(0.0, moment - now) if moment < inf else None
        return CueView(name=self.plan.cue.name, waits_for=waits_for, in_s=in_s)

    def _moment(self, now: float) -> float:
        if self.spent:
            return inf
        return self._time if self._bars is None else self._bars.moment(now)

    def _take_moment(self) -> None:
        self._time = inf
        if self._bars is not None:
            self._bars.take()

    def _messages(self, at: float) -> list[Message]:
        """Return what goes out; what it left sounding before is ended first."""
        if not self.plan.cue.messages:
            return []
        first, *others = self.plan.sent()
        bytes_of = [self._sounding + first, *others]
        settles, self._sounding = self._sounding, self.plan.left_sounding()
        *ahead, last = bytes_of
        messages = [Message(self.plan.port, at, data) for data in ahead]
        return [*messages, Message(self.plan.port, at, last, undo=self._sounding, settles=settles)]

    def _ended(self, now: float) -> list[Message]:
        """Return what ends what it left sounding."""
        sounding, self._sounding = self._sounding, b""
        return [Message(self.plan.port, now, sounding, settles=sounding)] if sounding else []
