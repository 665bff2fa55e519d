"""What stands by hand."""

from __future__ import annotations

from dataclasses import replace

from bridge.events import PedalTold
from bridge.events_hand import (
    HandsOff,
    HandsOn,
    LoopChanged,
    PedalTurned,
    StepAllowed,
    TempoKept,
    TempoLetGo,
    TempoNudged,
)
from bridge.send.hands import Hands
from bridge.send.plan import PortPlan, SendPlan
from bridge.send.schedule import Schedule

PLAN = SendPlan(
    ports=(
        PortPlan(name="Pedals A", pedals=("long echo", "loop box")),
        PortPlan(name="Pedals B", pedals=("stutter",), begin_tempo=60.0),
    )
)
TOLD = PedalTold(at=10.0, pedal="long echo", deck="north", tempo=60.0, ratio=1.0, why="drift", beats=3.5)
OFF, ON = HandsOff(at=11.0, pedal="long echo"), HandsOn(at=14.25, pedal="long echo")


def test_while_hands_are_off_no_order_passes_for_any_pedal_on_that_clock():
    """A listener that does not know it yet would begin the clock again."""
    hands = Hands(PLAN)
    assert hands.passes(TOLD)
    assert hands.take(OFF) == []
    assert not hands.passes(replace(TOLD, at=12.0))
    assert not hands.passes(replace(TOLD, at=12.0, pedal="loop box"))
    assert hands.passes(replace(TOLD, at=12.0, pedal="stutter"))


def test_hands_on_carries_the_newest_orders_out_as_of_now_even_without_a_listener():
    hands = Hands(PLAN)
    hands.passes(TOLD)
    hands.take(OFF)
    hands.passes(replace(TOLD, pedal="loop box"))
    again = hands.take(ON)
    assert {order.pedal for order in again} == {"long echo", "loop box"}
    assert {(order.at, order.tempo, order.beats, order.why) for order in again} == {(14.25, 60.0, 7.75, "hands on")}
    assert hands.take(ON) == []  # they are on already


def test_a_clock_stays_away_until_hands_are_on_every_pedal_that_shares_it():
    hands = Hands(PLAN)
    hands.passes(TOLD)
    hands.take(OFF)
    hands.take(replace(OFF, pedal="loop box"))
    assert hands.take(ON) == []
    assert [order.pedal for order in hands.take(replace(ON, pedal="loop box"))] == ["long echo"]


def test_a_pedal_that_was_told_nothing_yet_comes_back_at_its_tempo_to_begin_with_or_not_at_all():
    hands = Hands(PLAN)
    hands.take(replace(OFF, pedal="stutter"))
    assert [order.tempo for order in hands.take(replace(ON, pedal="stutter"))] == [60.0]
    hands.take(OFF)
    assert hands.take(ON) == []


def test_the_clock_ends_without_a_stop_and_comes_back():
    """From the hand to the bytes."""
    hands, schedule = Hands(PLAN), Schedule(PLAN, now=0.0)
    assert hands.passes(TOLD)
    schedule.take(TOLD, 10.0)

    def sent(until: float) -> list[bytes]:
        found = []
        while schedule.next_due() <= until:
            messages = schedule.due(schedule.next_due()).messages
            found += [message.data for message in messages if message.port == "Pedals A"]
        return found

    assert set(sent(11.0)) == {b"\xf8"}
    hands.take(OFF)
    schedule.hands_off("long echo", 11.0)
    assert sent(14.25) == []
    for order in hands.take(ON):
        schedule.take(order, 14.25)
    assert len(sent(15.25)) in (24, 25)


def test_what_was_undone_stands_no_more():
    hands = Hands(PLAN)
    kept, loop = TempoKept(at=1.0, deck="north"), LoopChanged(at=2.0, pedal="loop box", loop="playing")
    for hand in (OFF, kept, loop, StepAllowed(at=3.0, pedal="long echo")):
        hands.take(hand)
    assert set(hands.standing) == {OFF, kept, loop}
    for hand in (ON, TempoLetGo(at=4.0, deck="north"), replace(loop, loop="stopped")):
        hands.take(hand)
    assert hands.standing == ()


def test_a_nudged_tempo_stands_as_a_kept_one_and_the_newest_deck_of_a_pedal_counts():
    """For pedals that share a clock, whichever of them was turned."""
    hands = Hands(PLAN)
    hands.take(TempoNudged(at=1.0, deck="north", percent=0.5))
    hands.take(PedalTurned(at=2.0, pedal="long echo", deck="south"))
    newest = PedalTurned(at=3.0, pedal="loop box", deck="north")
    hands.take(newest)
    assert set(hands.standing) == {TempoKept(at=1.0, deck="north"), newest}
