"""When a step is passed on."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.rig import Pedal
from bridge.send.steps import Gate, Tail, latest

ECHO = Pedal(name="long echo", port="Pedals A", listens_to="north")
EVERY_S = 0.02


def quiet_after_s(repeats: int, delay_s: float, level_db: float, then_db: float) -> float:
    """Play at a level for a minute, then at another, and return after how long the tail is quiet."""
    tail, at = Tail(repeats), 0.0
    while at < 60.0:
        tail.hear(at, level_db, delay_s)
        assert not tail.quiet
        at += EVERY_S
    while not tail.quiet and at < 200.0:
        tail.hear(at, then_db, delay_s)
        at += EVERY_S
    return at - 60.0


@pytest.mark.parametrize(("gain_db", "repeats"), [(6.021, 10), (3.098, 19), (1.938, 31), (0.915, 66)])
def test_each_repeat_falls_as_one_of_a_pedal_that_is_heard_so_often(gain_db, repeats):
    """Feedback 0.5, 0.7, 0.8, 0.9: so many dB a repeat, so many repeats to -60 dB (CHECK_VALUES 6).

    From -5 dB the -50 dB at which nothing is heard any more are reached after 45 dB.
    """
    assert quiet_after_s(repeats, 0.5, -5.0, -120.0) == pytest.approx(0.5 * 45 / gain_db, rel=0.05)


@given(repeats=st.integers(1, 40), delay_s=st.floats(0.05, 2.0), level_db=st.floats(-45, 0))
def test_a_tail_dies_no_later_than_its_last_repeat(repeats, delay_s, level_db):
    assert quiet_after_s(repeats, delay_s, level_db, -120.0) <= repeats * delay_s + 2 * EVERY_S


def test_a_deck_that_plays_on_is_never_quiet():
    assert quiet_after_s(6, 0.5, -20.0, -22.0) > 100.0


def test_hiss_is_quiet():
    assert quiet_after_s(6, 0.5, -12.0, -58.0) < 6 * 0.5


def gate(when: str) -> tuple[Gate, Tail]:
    tail = Tail(6)
    for n in range(100):
        tail.hear(n * 0.1, -12.0, 0.5)
    return Gate(when, tail), tail  # type: ignore[arg-type]


def test_now_is_at_once():
    assert gate("now")[0].opens(10.0, 10.0, 0.5)


def test_tail_quiet_waits_for_the_echoes_of_before_and_no_longer():
    """Six repeats of 0.5 s, counted from the step of the tape and not from when it was known."""
    step, _ = gate("tail_quiet")
    assert not step.opens(9.0, 10.0, 0.5)
    assert step.waits
    assert not step.opens(10.5, 11.9, 0.5)
    assert step.opens(11.0, 12.0, 0.5)
    step.done()
    assert not step.opens(20.0, 20.0, 0.5)


def test_tail_quiet_opens_as_soon_as_nothing_is_heard():
    step, tail = gate("tail_quiet")
    assert not step.opens(10.0, 10.0, 0.5)
    for n in range(100, 125):  # 38 dB down: 1.9 s at 20 dB a second
        tail.hear(n * 0.1, -120.0, 0.5)
    assert step.opens(10.0, 12.4, 0.5)


def test_the_foot_lets_one_step_through_and_says_nothing_of_the_next():
    step, _ = gate("foot")
    step.allow()  # nothing waits yet
    assert not step.opens(10.0, 10.0, 0.5)
    assert not step.opens(10.0, 9999.0, 0.5)
    step.allow()
    assert step.opens(10.0, 10000.0, 0.5)
    step.done()
    assert not step.waits
    assert not step.opens(20000.0, 20000.0, 0.5)


def test_of_pedals_that_are_told_together_the_one_that_waits_longest_decides():
    kinds = [replace(ECHO, step=step) for step in ("now", "foot", "tail_quiet")]
    assert latest(tuple(kinds)) == "foot"
    assert latest((kinds[0], kinds[2])) == "tail_quiet"
