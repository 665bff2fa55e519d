"""What stands by hand while a set runs: pedals given back to their knobs, tempi that are kept, loops that are on.

The sender keeps it, so that it outlives every listener, and holds back the orders of one that does not know it yet.
"""

from __future__ import annotations

from dataclasses import replace

from bridge.events import PedalTold
from bridge.events_hand import (
    Hand,
    HandsOff,
    HandsOn,
    LoopChanged,
    PedalTurned,
    StepAllowed,
    TempoKept,
    TempoLetGo,
    TempoNudged,
)
from bridge.send.plan import SendPlan
from bridge.units import period_s


class Hands:
    """What stands, and the orders that wait for it.

    Args:
        plan: The ports; clocked pedals that share one lose their clock together.
    """

    def __init__(self, plan: SendPlan) -> None:
        self._with = {pedal: port.pedals for port in plan.ports for pedal in port.pedals}
        self._begin = {port.pedals[0]: port.begin_tempo for port in plan.ports if port.pedals}
        self._orders: dict[str, PedalTold] = {}
        self._off: dict[str, HandsOff] = {}
        self._kept: dict[str, TempoKept] = {}
        self._loops: dict[str, LoopChanged] = {}
        self._turned: dict[str, PedalTurned] = {}

    @property
    def standing(self) -> tuple[Hand, ...]:
        """What a new listener is to know, in no order that matters."""
        return (*self._off.values(), *self._turned.values(), *self._kept.values(), *self._loops.values())

    def passes(self, order: PedalTold) -> bool:
        """Note a pedal's newest order; return whether it may be carried out now."""
        self._orders[order.pedal] = order
        return not self._held(order.pedal)

    def take(self, hand: Hand) -> list[PedalTold]:
        """Take in what the hand or a looper did; return the orders that are to be carried out again."""
        match hand:
            case HandsOff():
                self._off[hand.pedal] = hand
            case HandsOn():
                was_off = self._off.pop(hand.pedal, None) is not None
                return self._again(hand) if was_off else []
            case TempoKept():
                self._kept[hand.deck] = hand
            case TempoNudged():
                self._kept[hand.deck] = TempoKept(at=hand.at, deck=hand.deck)
            case TempoLetGo():
                self._kept.pop(hand.deck, None)
            case PedalTurned():
                for pedal in self._group(hand.pedal):
                    self._turned.pop(pedal, None)
                self._turned[hand.pedal] = hand
            case LoopChanged(loop="stopped"):
                self._loops.pop(hand.pedal, None)
            case LoopChanged():
                self._loops[hand.pedal] = hand
            case StepAllowed():
                pass
        return []

    def _held(self, pedal: str) -> bool:
        return any(name in self._off for name in self._group(pedal))

    def _group(self, pedal: str) -> tuple[str, ...]:
        return (*self._with.get(pedal, ()), pedal)

    def _again(self, hand: HandsOn) -> list[PedalTold]:
        """Return the newest orders of the pedals that are back, as of now; for a clock without one, its tempo to begin
        with.
        """
        pedals = [pedal for pedal in dict.fromkeys(self._group(hand.pedal)) if not self._held(pedal)]
        orders = [_as_of(hand.at, self._orders[pedal]) for pedal in pedals if pedal in self._orders]
        begin = self._begin.get(pedals[0]) if pedals and not orders else None
        if begin is None:
            return orders
        return [PedalTold(at=hand.at, pedal=pedals[0], deck="", tempo=begin, ratio=1.0, why="hands on")]


def _as_of(at: float, order: PedalTold) -> PedalTold:
    """Return an order that says at time ``at`` what this one says of it."""
    beats = None if order.beats is None else order.beats + (at - order.at) / period_s(order.tempo)
    return replace(order, at=at, beats=beats, why="hands on")
