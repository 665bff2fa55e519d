"""Presses, holds and double presses out of contacts."""

from __future__ import annotations

from itertools import pairwise
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.actions import Action
from bridge.foot.presses import BOUNCE_S, Presses, acts_at_once
from bridge.rig_foot import Switch, Trigger

NOTE = Trigger(kind="note", number=60)
ONE, TWO, THREE = Action("keep", ("north",)), Action("let go", ("north",)), Action("all quiet")
PLAIN = Switch(name="left", trigger=NOTE, press=ONE)
TAPS = Switch(name="left", trigger=NOTE, press=Action("tap", ("north",)), hold=TWO)
HOLDS = Switch(name="left", trigger=NOTE, press=ONE, hold=TWO)
DOUBLES = Switch(name="left", trigger=NOTE, press=ONE, double=THREE)
ALL = Switch(name="left", trigger=NOTE, press=ONE, hold=TWO, double=THREE)


def told(switch: Switch, *contacts: float, until: float = 100.0) -> list[tuple[str, float]]:
    """Let a switch close, open, close … at these times, and return what was told."""
    presses = Presses([switch])
    uses = []
    for index, at in enumerate(contacts):
        uses += presses.up("left", at) if index % 2 else presses.down("left", at)
    uses += presses.due(until)
    return [(use.how, round(use.at, 6)) for use in uses]


@pytest.mark.parametrize("switch", [PLAIN, TAPS])
def test_a_plain_switch_and_one_that_taps_act_as_they_close(switch):
    presses = Presses([switch])
    [use] = presses.down("left", 3.0)
    assert (use.at, use.how, use.switch) == (3.0, "press", switch)
    assert presses.next_due() == inf
    assert presses.due(9.0) == []


@pytest.mark.parametrize(
    ("switch", "contacts", "wanted"),
    [
        (HOLDS, (1.0, 1.599), [("press", 1.0)]),
        (HOLDS, (1.0, 1.601), [("hold", 1.6)]),
        (HOLDS, (1.0,), [("hold", 1.6)]),
        (DOUBLES, (1.0, 1.1, 1.349, 1.4), [("double", 1.349)]),
        (DOUBLES, (1.0, 1.1, 1.351, 1.4), [("press", 1.0), ("press", 1.351)]),
        (DOUBLES, (1.0,), [("press", 1.0)]),  # it is held: it cannot be a double any more
        (DOUBLES, (1.0, 1.1, 1.2, 1.3, 1.33, 1.4), [("double", 1.2), ("press", 1.33)]),  # a third begins anew
        (ALL, (1.0, 1.1), [("press", 1.0)]),
        (ALL, (1.0, 1.5), [("press", 1.0)]),
        (ALL, (1.0, 1.1, 1.2, 5.0), [("double", 1.2)]),
        (ALL, (1.0, 2.0), [("hold", 1.6)]),
    ],
)
def test_press_hold_and_double_are_told_apart(switch, contacts, wanted):
    """Hold 0.6 s, double 0.35 s: the numbers of a rig that says nothing else."""
    assert told(switch, *contacts) == wanted


def test_a_press_is_told_when_the_contact_has_been_open_for_long_enough():
    presses = Presses([HOLDS])
    presses.down("left", 1.0)
    assert presses.up("left", 1.2) == []
    assert presses.next_due() == pytest.approx(1.2 + BOUNCE_S)
    assert [use.how for use in presses.due(1.2 + BOUNCE_S)] == ["press"]


@pytest.mark.parametrize("switch", [PLAIN, HOLDS, DOUBLES, ALL])
def test_bounces_of_closing_and_of_opening_tell_nothing(switch):
    clean = told(switch, 1.0, 1.3, 4.0, 4.2)
    bouncing = (1.0, 1.003, 1.005, 1.01, 1.012, 1.29, 1.293, 1.3, 4.0, 4.001, 4.02, 4.2)
    assert [how for how, _ in told(switch, *bouncing)] == [how for how, _ in clean]


def test_a_hold_survives_a_contact_that_fails_for_a_moment_as_the_hold_falls_due():
    assert told(HOLDS, 1.0, 1.59, 1.61) == [("hold", 1.6)]


def test_a_press_without_release_is_a_press_and_two_of_them_a_double():
    presses = Presses([DOUBLES])
    assert [*presses.touch("left", 1.0), *presses.touch("left", 1.01)] == []
    assert [use.how for use in presses.touch("left", 1.2)] == ["double"]
    presses.touch("left", 2.0)
    assert [(use.how, use.at) for use in presses.due(3.0)] == [("press", 2.0)]


def test_what_has_no_action_is_not_told():
    only_hold = Switch(name="left", trigger=NOTE, hold=TWO)
    assert told(only_hold, 1.0, 1.1) == []
    assert told(only_hold, 1.0, 2.0) == [("hold", 1.6)]


def test_a_switch_whose_plug_is_pulled_is_no_hold():
    presses = Presses([HOLDS])
    presses.down("left", 1.0)
    assert presses.lost("left", 1.1) == []
    assert presses.due(9.0) == []
    assert presses.down("left", 10.0) == []
    assert [use.how for use in presses.due(11.0)] == ["hold"]


def test_times_that_are_none_are_refused_and_those_that_run_backwards_count_as_the_latest():
    presses = Presses([HOLDS])
    with pytest.raises(ValueError, match="finite time in seconds, got nan"):
        presses.down("left", nan)
    presses.down("left", 5.0)
    presses.up("left", 1.0)
    assert presses.next_due() == pytest.approx(5.0 + BOUNCE_S)


def test_a_message_that_is_read_after_a_look_keeps_the_time_at_which_it_came():
    presses = Presses([PLAIN])
    assert presses.due(5.0) == []
    assert [use.at for use in presses.down("left", 4.996)] == [4.996]


def test_what_time_has_decided_stays_so():
    """A release that came in time and is read too late."""
    presses = Presses([HOLDS])
    presses.down("left", 1.0)
    assert [use.how for use in presses.due(1.61)] == ["hold"]
    assert presses.up("left", 1.59) == []
    assert presses.due(9.0) == []


def closings(contacts: list[float]) -> list[float]:
    """Return when a contact really closes: an opening of less than 25 ms is none. By joining intervals."""
    times = [*contacts, inf] if len(contacts) % 2 else contacts
    closed = [list(pair) for pair in zip(times[::2], times[1::2], strict=True)]
    for before, after in pairwise(list(closed)):
        if after[0] - before[1] < BOUNCE_S:
            after[0] = before[0]
            closed.remove(before)
    return [start for start, _ in closed]


GAPS = st.lists(st.integers(1, 2000).filter(lambda gap: gap != 25), max_size=40)


@given(gaps=GAPS, switch=st.sampled_from([PLAIN, TAPS, HOLDS, DOUBLES, ALL]))
def test_every_use_is_told_exactly_once(gaps, switch):
    """Whatever the train of contacts: each real closing belongs to one press or hold, or is half of a double."""
    at, contacts = 0.0, []
    for gap in gaps:
        at += gap / 1000
        contacts.append(at)
    uses = told(switch, *contacts, until=at + 10)
    real = [round(close, 6) for close in closings(contacts)]
    assert sum(2 if how == "double" else 1 for how, _ in uses) == len(real)
    presses = [told_at for how, told_at in uses if how == "press"]
    assert set(presses) <= set(real)
    assert len(set(presses)) == len(presses)
    if acts_at_once(switch):
        assert presses == real


@given(gaps=GAPS, looks=st.lists(st.floats(0, 60), max_size=20))
def test_how_often_one_looks_changes_nothing(gaps, looks):
    """Time alone decides, not when it is asked."""
    at, contacts = 0.0, []
    for gap in gaps:
        at += gap / 1000
        contacts.append(at)
    presses = Presses([ALL])
    moves = [(t, index % 2, False) for index, t in enumerate(contacts)] + [(t, 0, True) for t in looks]
    uses = []
    for when, opens, is_look in sorted(moves):
        uses += presses.due(when) if is_look else (presses.up if opens else presses.down)("left", when)
    uses += presses.due(100.0)
    assert [(use.how, round(use.at, 6)) for use in uses] == told(ALL, *contacts)
