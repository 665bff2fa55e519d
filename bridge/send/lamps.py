"""The lights of a foot controller: what the decks, pedals and loopers do, as messages that the performer wrote."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from math import floor, inf

from bridge.rig_foot import Lamp, LooperState
from bridge.send.beats import NEAR, DeckBeats
from bridge.send.messages import wire_bytes
from bridge.send.schedule import Message
from bridge.units import period_s

FLASH_S = 0.06
"""A beat lights a lamp so long, in seconds, or a quarter of the beat if that is less."""

LATE_S = 0.05
"""A beat that is later than this, in seconds, is not shown: a light beside the beat misleads."""

GAP_S = 0.02
"""Least time between two messages to one lamp, in seconds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LampPlan:
    """One lamp, and the output that its messages go to.

    Attributes:
        lamp: The lamp.
        port: The output's name as the sender's plan has it.

    Raises:
        ValueError: One of its messages cannot be sent.
    """

    lamp: Lamp
    port: str

    def __post_init__(self) -> None:
        wire_bytes(self.lamp.on, self.lamp.channel)
        wire_bytes(self.lamp.off, self.lamp.channel)


class Lamps:
    """All lamps. A change is sent once; a lamp is lit only as long as somebody is there to put it out again.

    Args:
        plans: The lamps.
        decks: Decks by name; their owner tells them how they stand.
    """

    def __init__(self, plans: tuple[LampPlan, ...], decks: Mapping[str, DeckBeats]) -> None:
        self._lamps = [_OneLamp(plan, decks.get(plan.lamp.of)) for plan in plans]

    def show(self, loopers: Mapping[str, LooperState], kept: Collection[str], hands_off: Collection[str]) -> None:
        """Take in what loopers do, which decks' tempi are kept, and which pedals have their knobs."""
        for lamp in self._lamps:
            lamp.show(loopers, kept, hands_off)

    def opened(self, port: str, now: float) -> None:
        """Take in that a port came, or came back: its lamps are told anew."""
        for lamp in self._lamps:
            if lamp.plan.port == port:
                lamp.forget()

    def end(self, now: float) -> None:
        """Put all lamps out, for good."""
        for lamp in self._lamps:
            lamp.end()

    def next_due(self, now: float) -> float:
        """Return the host time in seconds of what is due next, perhaps in the past; inf for nothing."""
        return min((lamp.next_due(now) for lamp in self._lamps), default=inf)

    def due(self, now: float) -> tuple[Message, ...]:
        """Take what is to be sent at host time ``now``."""
        return tuple(message for lamp in self._lamps for message in lamp.due(now))


class _OneLamp:
    def __init__(self, plan: LampPlan, deck: DeckBeats | None) -> None:
        self.plan = plan
        self._deck = deck
        self._on = wire_bytes(plan.lamp.on, plan.lamp.channel)
        self._off = wire_bytes(plan.lamp.off, plan.lamp.channel)
        self._is_lit: bool | None = None  # what it was told; None for nothing yet
        self._wanted = False
        self._sent_at = -inf
        self._beat: int | None = None  # the newest beat that was shown, or passed over
        self._ended = False

    def show(self, loopers: Mapping[str, LooperState], kept: Collection[str], hands_off: Collection[str]) -> None:
        shows, of = self.plan.lamp.shows, self.plan.lamp.of
        state = loopers.get(of)
        match shows:
            case "kept":
                self._wanted = of in kept
            case "hands off":
                self._wanted = of in hands_off
            case "recording":
                self._wanted = state in ("recording", "overdubbing")
            case "armed" | "playing" | "unknown":
                self._wanted = state == shows
            case "following" | "holding":
                stands = None if self._deck is None else self._deck.stands
                self._wanted = stands is not None and stands.state == shows

    def forget(self) -> None:
        self._is_lit, self._sent_at = None, -inf

    def end(self) -> None:
        self._ended, self._wanted = True, False

    def next_due(self, now: float) -> float:
        if self.plan.lamp.shows == "beat" and not self._ended:
            return self._next_flash(now)
        return max(now, self._sent_at + GAP_S) if self._wanted != self._is_lit else inf

    def due(self, now: float) -> list[Message]:
        if self.plan.lamp.shows == "beat" and not self._ended:
            self._flash(now)
        if self._wanted == self._is_lit or now < self._sent_at + GAP_S:
            return []
        self._is_lit, self._sent_at = self._wanted, now
        if self._wanted:
            return [Message(self.plan.port, now, self._on, self._off)]
        return [Message(self.plan.port, now, self._off)]

    def _next_flash(self, now: float) -> float:
        """Return when the lamp changes next: at a beat, or when its light has lasted long enough."""
        gap_at = self._sent_at + GAP_S
        deck = self._deck
        if self._is_lit is None:
            return now
        if self._is_lit:
            return max(self._sent_at + self._flash_s(), gap_at)
        if deck is None or (beat := deck.beat_at(now)) is None:
            return inf
        shown = self._beat
        ahead = floor(beat - NEAR) + 1 if shown is None or shown < floor(beat) - 1 else shown + 1
        return max(deck.at_of(ahead), gap_at)

    def _flash(self, now: float) -> None:
        deck = self._deck
        beat = None if deck is None else deck.beat_at(now)
        if self._is_lit:
            self._wanted = now < self._sent_at + self._flash_s() - NEAR
        elif beat is None or deck is None:
            self._wanted = False
        else:
            newest = floor(beat + NEAR)
            is_new = self._beat is None or newest != self._beat
            self._wanted = is_new and now - deck.at_of(newest) <= LATE_S
            self._beat = newest

    def _flash_s(self) -> float:
        tempo = None if self._deck is None else self._deck.tempo
        return FLASH_S if tempo is None else min(FLASH_S, period_s(tempo) / 4)
