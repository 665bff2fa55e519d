"""Lamps of foot controllers: what is lit when, so that in the dark a glance at the foot tells how things stand."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from math import ceil, inf
from typing import Final

from bridge.rig_foot import Lamp, LooperState
from bridge.send.beats import NEAR, DeckBeats
from bridge.send.messages import wire_bytes
from bridge.send.schedule import Message
from bridge.units import period_s

FLASH_S = 0.06
"""A beat lights its lamp for so long, in seconds, or for a quarter of a beat if that is less."""

APART_S = 0.02
"""Two messages of one lamp are at least so far apart, in seconds."""

LATE_S = 0.02
"""A beat that is later than this, in seconds, is left out: a light beside the beat misleads."""

DECK_LAMPS = ("beat", "following", "holding")
"""What is told of a deck by how it stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LampPlan:
    """How one lamp is reached.

    Attributes:
        lamp: What the rig says of it.
        port: The port's name as the sender's plan has it; ``osc://…`` for OSC.

    Raises:
        ValueError: One of its messages cannot be sent, or OSC is mixed with MIDI.
    """

    lamp: Lamp
    port: str

    def __post_init__(self) -> None:
        self.sent(lit=True)
        self.sent(lit=False)

    def sent(self, lit: bool) -> tuple[bytes, ...]:
        """Return what lights it, or puts it out: one group of MIDI messages, or each OSC message."""
        wires = self.lamp.on if lit else self.lamp.off
        if all(wire.kind == "osc" for wire in wires):
            return tuple(wire_bytes([wire], self.lamp.channel) for wire in wires)
        return (wire_bytes(wires, self.lamp.channel),)


class Lamps:
    """The lamps of a rig. Each is told once when it changes, and no more than once in 20 ms.

    What changed during a stall is told as it is then; beats that are late are left out. What is lit is left with its
    port to be put out. A ``now`` that runs backwards counts as the latest seen.

    Args:
        plans: The lamps.
        decks: Decks by name; their owner tells them how they stand.

    Raises:
        ValueError: One tells of a deck that is not there.
    """

    def __init__(self, plans: tuple[LampPlan, ...], decks: Mapping[str, DeckBeats]) -> None:
        for plan in plans:
            if plan.lamp.shows in DECK_LAMPS and plan.lamp.of not in decks:
                raise ValueError(f"a lamp shows {plan.lamp.shows} of {plan.lamp.of!r}; known: {', '.join(decks)}")
        self._lamps = [_OneLamp(plan, decks.get(plan.lamp.of)) for plan in plans]
        self._now = -inf

    def show(self, loopers: Mapping[str, LooperState], kept: Collection[str], hands_off: Collection[str]) -> None:
        """Take in how things stand that are not a deck's beats.

        Args:
            loopers: State of each looper by its name.
            kept: Names of decks whose tempo is kept.
            hands_off: Names of pedals that are given back to their knobs.
        """
        for lamp in self._lamps:
            lamp.show(loopers, kept, hands_off)

    def opened(self, port: str, now: float) -> None:
        """Take in that a port came, or came back: nobody knows what is lit there, and all is told anew."""
        self._seen(now)
        for lamp in self._lamps:
            if lamp.plan.port == port:
                lamp.forget()

    def end(self, now: float) -> None:
        """Put all lamps out for good; that comes out of the next `due`."""
        self._seen(now)
        for lamp in self._lamps:
            lamp.ends = True

    def next_due(self, now: float) -> float:
        """Return the host time in seconds at which `due` has something, perhaps in the past; inf for nothing.

        It moves as the decks' beats move.
        """
        now = self._seen(now)
        return min((lamp.next_due(now) for lamp in self._lamps), default=inf)

    def due(self, now: float) -> tuple[Message, ...]:
        """Take what is to be sent at host time ``now``; a second call then has nothing more."""
        now = self._seen(now)
        return tuple(message for lamp in self._lamps for message in lamp.due(now))

    def _seen(self, now: float) -> float:
        self._now = max(self._now, now)
        return self._now


class _OneLamp:
    """One lamp. Host times must not run backwards.

    Attributes:
        plan: How it is reached.
        ends: Whether it is to be out for good.
    """

    def __init__(self, plan: LampPlan, deck: DeckBeats | None) -> None:
        self.plan: Final = plan
        self.ends = False
        self._deck = deck
        self._told: bool | None = None  # whether it is lit; None for nobody knows
        self._holds = False
        self._sent_at = -inf
        self._flash = (-inf, -inf)  # from when until when the newest beat lights it

    def show(self, loopers: Mapping[str, LooperState], kept: Collection[str], hands_off: Collection[str]) -> None:
        """Take in how things stand that are not a deck's beats."""
        shows, of = self.plan.lamp.shows, self.plan.lamp.of
        if shows == "kept":
            self._holds = of in kept
        elif shows == "hands off":
            self._holds = of in hands_off
        elif shows not in DECK_LAMPS:
            state = loopers.get(of)
            self._holds = state == shows or (shows == "recording" and state == "overdubbing")

    def forget(self) -> None:
        """Take in that nobody knows whether it is lit."""
        self._told = None

    def next_due(self, now: float) -> float:
        """Return the host time in seconds at which it is told something next; inf for not by itself."""
        if self.ends:
            return inf if self._told is False else now
        if self._wanted(now) != self._told:
            return max(now, self._sent_at + APART_S)
        if self.plan.lamp.shows != "beat":
            return inf
        return max(self._flash[1] if self._told else self._beat_at(now), self._sent_at + APART_S)

    def due(self, now: float) -> tuple[Message, ...]:
        """Take what it is told at host time ``now``."""
        if self.ends:
            was, self._told = self._told, False
            return () if was is False else self._messages(False, max(now, self._sent_at + APART_S))
        if self.next_due(now) > now:
            return ()
        at = now
        if self.plan.lamp.shows == "beat" and not self._told and (beat_at := self._beat_at(now)) <= now:
            at = max(beat_at, self._sent_at + APART_S)
            self._flash = at, max(beat_at + self._flash_s(), at + APART_S)
        lit = self._wanted(now)
        if lit == self._told:
            return ()
        self._told = lit
        return self._messages(lit, at)

    def _messages(self, lit: bool, at: float) -> tuple[Message, ...]:
        self._sent_at = at
        port, off = self.plan.port, self.plan.sent(lit=False)
        undo = off[0] if lit and len(off) == 1 else b""  # several OSC messages cannot be left with a port as one
        until = self._flash[1] if lit and self.plan.lamp.shows == "beat" else inf
        return tuple(Message(port, at, data, undo, until) for data in self.plan.sent(lit))

    def _wanted(self, now: float) -> bool:
        """Return whether it is to be lit."""
        shows, deck = self.plan.lamp.shows, self._deck
        if deck is None or shows not in DECK_LAMPS:
            return self._holds
        if shows == "beat":
            return deck.known and self._flash[0] <= now < self._flash[1]
        if shows == "following":
            return deck.heard
        held = deck.stands is not None and deck.stands.state in ("holding", "following")
        return deck.known and held and not deck.heard

    def _beat_at(self, now: float) -> float:
        """Return the host time in seconds of the next beat that lights it; inf where there is none."""
        deck = self._deck
        if deck is None or deck.tempo is None:
            return inf
        may_be_told_at = max(now, self._sent_at + APART_S)
        beat = deck.beat_at(max(may_be_told_at - LATE_S, self._flash[0] + period_s(deck.tempo) / 2))
        return inf if beat is None else deck.at_of(ceil(beat - NEAR))

    def _flash_s(self) -> float:
        assert self._deck is not None  # it had a beat
        assert self._deck.tempo is not None
        return min(FLASH_S, period_s(self._deck.tempo) / 4)
