"""Lamps: what is lit when; each change told once, never too often, never in a burst."""

from __future__ import annotations

from itertools import pairwise
from math import inf
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import FollowerState
from bridge.events_foot import DeckStands
from bridge.rig_foot import Lamp, LampShows, Wire
from bridge.send.beats import DeckBeats
from bridge.send.lamps import FLASH_S, LampPlan, Lamps
from bridge.send.schedule import Message
from bridge.units import period_s

PORT = "Foot"
ON, OFF = b"\xb0\x14\x7f", b"\xb0\x14\x00"
NEAR_S = 1e-6


class Foot:
    """One lamp of a foot controller, and the deck north, whose beat 0 falls on host time 0 once it has one."""

    def __init__(self, shows: LampShows, of: str = "north") -> None:
        lamp = Lamp(shows=shows, of=of, port=PORT, on=(Wire("cc", 20, 127),), off=(Wire("cc", 20, 0),))
        self.deck = DeckBeats("north")
        self.lamps = Lamps((LampPlan(lamp=lamp, port=PORT),), {"north": self.deck})
        self.sent: list[Message] = []
        self.now = 0.0

    def stand(self, at: float, state: FollowerState = "following", tempo: float | None = 120.0) -> None:
        self.due(at)
        beats = None if tempo is None else at * tempo / 60
        self.deck.take(DeckStands(at=at, deck="north", state=state, runs=True, tempo=tempo, beats=beats))
        self.due(at)

    def show(self, now: float, **things: Any) -> None:
        self.due(now)
        self.lamps.show(**{"loopers": {}, "kept": (), "hands_off": (), **things})
        self.due(now)

    def due(self, until: float) -> None:
        """Take all that is due by then, each at its time."""
        while (at := self.lamps.next_due(self.now)) <= until:
            self.now = max(self.now, at)
            sent = self.lamps.due(self.now)
            assert sent, "it was said to be due"
            self.sent += sent
        self.now = max(self.now, until)
        assert self.lamps.due(self.now) == ()

    @property
    def told(self) -> list[tuple[float, bool]]:
        return [(message.at, message.data == ON) for message in self.sent]


def test_a_beat_lights_its_lamp_for_60_ms() -> None:
    foot = Foot("beat")
    foot.stand(0.1)
    foot.due(1.8)
    expected = [(0.1, False), (0.5, True), (0.56, False), (1.0, True), (1.06, False), (1.5, True), (1.56, False)]
    assert [(pytest.approx(at), lit) for at, lit in foot.told[1:]] == expected[1:]
    assert foot.told[0] == (0.0, False)  # nobody knew whether it was lit


def test_a_fast_beat_lights_it_for_a_quarter_of_a_beat() -> None:
    foot = Foot("beat")
    foot.stand(0.05, tempo=400.0)
    foot.due(0.2)
    assert foot.told[1:] == [(pytest.approx(0.15), True), (pytest.approx(0.1875), False)]


def test_a_beat_goes_on_while_it_is_held_and_nothing_is_lit_before_there_is_one() -> None:
    foot = Foot("beat")
    foot.due(5.0)
    assert foot.told == [(0.0, False)]
    foot.stand(5.1, "holding")
    foot.due(5.6)
    assert foot.told[1:] == [(pytest.approx(5.5), True), (pytest.approx(5.56), False)]


def test_after_a_stall_late_beats_are_left_out() -> None:
    foot = Foot("beat")
    foot.stand(0.1)
    foot.due(0.9)
    before = len(foot.sent)
    foot.now = 7.2  # nobody asked for 6.3 s
    assert foot.lamps.due(foot.now) == ()
    foot.due(8.1)
    assert [at for at, lit in foot.told[before:] if lit] == [pytest.approx(7.5), pytest.approx(8.0)]


def test_a_lit_lamp_is_left_with_its_port_to_be_put_out_and_a_late_beat_is_not_lit() -> None:
    foot = Foot("beat")
    foot.stand(0.1)
    foot.due(0.6)
    assert foot.sent[1] == Message(PORT, 0.5, ON, undo=OFF, until=pytest.approx(0.56))
    assert foot.sent[2] == Message(PORT, foot.sent[2].at, OFF)


def test_following_and_holding_show_how_the_deck_is_heard() -> None:
    for shows, states in (("following", "following"), ("holding", "holding")):
        foot = Foot(shows)  # type: ignore[arg-type]
        for at, state in ((1.0, "listening"), (2.0, states), (2.25, states), (3.0, "idle")):
            foot.stand(at, state, None if state in ("idle", "listening") else 120.0)  # type: ignore[arg-type]
        assert foot.told == [(0.0, False), (2.0, True), (3.0, False)]


def test_a_deck_that_nobody_tells_of_is_not_followed_its_beat_is_held() -> None:
    following, holding = Foot("following"), Foot("holding")
    for foot in (following, holding):
        foot.stand(1.0)
        foot.due(3.0)
        foot.deck.unheard()
        foot.due(10.0)
        foot.stand(11.0)
    assert following.told == [(0.0, False), (1.0, True), (3.0, False), (11.0, True)]
    assert holding.told == [(0.0, False), (3.0, True), (11.0, False)]


@pytest.mark.parametrize(
    ("shows", "of", "lit", "dark"),
    [
        ("kept", "north", {"kept": {"north"}}, {"kept": {"south"}}),
        ("hands off", "long echo", {"hands_off": {"long echo"}}, {"hands_off": ()}),
        ("armed", "loop box", {"loopers": {"loop box": "armed"}}, {"loopers": {"loop box": "recording"}}),
        ("recording", "loop box", {"loopers": {"loop box": "recording"}}, {"loopers": {"loop box": "playing"}}),
        ("recording", "loop box", {"loopers": {"loop box": "overdubbing"}}, {"loopers": {"loop box": "armed"}}),
        ("playing", "loop box", {"loopers": {"loop box": "playing"}}, {"loopers": {"loop box": "overdubbing"}}),
        ("unknown", "loop box", {"loopers": {"loop box": "unknown"}}, {"loopers": {"loop box": "idle"}}),
    ],
)
def test_other_lamps_are_lit_while_it_is_so(
    shows: LampShows, of: str, lit: dict[str, Any], dark: dict[str, Any]
) -> None:
    foot = Foot(shows, of)
    for at, things in enumerate((dark, lit, lit, dark, lit)):
        foot.show(float(at), **things)
    assert foot.told == [(0.0, False), (1.0, True), (3.0, False), (4.0, True)]


def test_quick_changes_are_told_as_they_are_20_ms_later() -> None:
    foot = Foot("kept")
    foot.due(0.0)
    for at, kept in ((1.0, ["north"]), (1.004, []), (1.008, ["north"]), (1.012, []), (2.0, ["north"])):
        foot.show(at, kept=kept)
    assert foot.told == [(0.0, False), (1.0, True), (pytest.approx(1.02), False), (2.0, True)]


def test_all_is_told_anew_once_its_port_is_back_and_only_there() -> None:
    foot = Foot("kept")
    foot.show(1.0, kept=["north"])
    foot.lamps.opened("elsewhere", 2.0)
    foot.due(2.0)
    foot.lamps.opened(PORT, 3.0)
    foot.due(3.0)
    assert foot.told == [(0.0, False), (1.0, True), (3.0, True)]


def test_at_the_end_all_lamps_are_put_out_at_once_and_stay_out() -> None:
    foot = Foot("kept")
    foot.show(1.0, kept=["north"])
    foot.lamps.end(1.005)
    assert foot.lamps.due(1.005) == (Message(PORT, pytest.approx(1.02), OFF),)
    foot.show(5.0, kept=["north"])
    foot.due(9.0)
    assert foot.told == [(0.0, False), (1.0, True)]
    assert foot.lamps.next_due(9.0) == inf


def test_a_lamp_that_was_lit_never_by_us_is_put_out_at_the_end_if_nobody_knows() -> None:
    foot = Foot("kept")
    foot.lamps.end(1.0)
    assert [message.data for message in foot.lamps.due(1.0)] == [OFF]
    assert foot.lamps.due(1.0) == ()


def test_a_lamp_of_nobody_is_refused() -> None:
    with pytest.raises(ValueError, match="beat of 'west'; known: north"):
        Foot("beat", "west")


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("word"), st.floats(0, 1.5), st.floats(20, 400), st.floats(0, 1)),
        st.tuples(st.just("stall"), st.floats(0, 5)),
        st.tuples(st.just("wait"), st.floats(0, 2)),
        st.tuples(st.just("opened")),
    ),
    max_size=25,
)


@given(steps=STEPS)
def test_however_the_tape_jumps_and_the_machine_stalls_no_lamp_is_told_twice_within_20_ms(steps: list[Any]) -> None:
    """And lit and dark take turns, no beat is lit long after its time, and each flash is over soon."""
    foot = Foot("beat")
    opened: list[float] = []
    for kind, *values in steps:
        if kind == "word":
            foot.due(foot.now + values[0])
            foot.deck.take(
                DeckStands(at=foot.now, deck="north", state="following", runs=True, tempo=values[1], beats=values[2])
            )
        elif kind == "stall":
            foot.now += values[0]
        elif kind == "wait":
            foot.due(foot.now + values[0])
        else:
            foot.lamps.opened(PORT, foot.now)
            opened.append(foot.now)
    foot.due(foot.now + 5)
    for (before, was), (after, lit) in pairwise(foot.told):
        assert after - before > 0.02 - NEAR_S
        assert lit != was or any(before - NEAR_S <= at <= after for at in opened)
    for message in foot.sent:
        if message.data == ON:
            assert message.until - message.at <= FLASH_S + NEAR_S
            assert message.undo == OFF


@given(tempo=st.floats(20, 400), phase=st.floats(0, 1), for_s=st.floats(1, 20))
def test_every_beat_is_lit_once_and_on_time(tempo: float, phase: float, for_s: float) -> None:
    foot = Foot("beat")
    foot.due(0.0)
    foot.now = 0.1
    foot.deck.take(DeckStands(at=0.1, deck="north", state="following", runs=True, tempo=tempo, beats=phase))
    foot.due(0.1 + for_s)
    lit = [at for at, is_lit in foot.told if is_lit]
    period = period_s(tempo)
    first = 0.1 + (1 - phase if phase > 0 else 0) * period
    expected = [first + n * period for n in range(int(for_s / period) + 2) if first + n * period <= 0.1 + for_s]
    assert abs(len(lit) - len(expected)) <= 1  # one that falls on an edge of this time
    ons = [at for at in lit if at > first + NEAR_S]
    assert all(abs((at - first) / period - round((at - first) / period)) * period < NEAR_S for at in ons)
    assert all(abs(after - before - period) < NEAR_S for before, after in pairwise(lit[1:]))
