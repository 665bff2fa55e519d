"""Promises of one clock."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.send.clock import TickClock, TickLine

TEMPOS = st.floats(20.0, 400.0)


def ticks_until(clock: TickClock, end: float) -> list[float]:
    """Ask the clock exactly when each tick is due; return when that was."""
    times = []
    while (due := clock.next_due()) <= end:
        at, dropped = clock.due(due)
        assert (at, dropped) == (due, 0)
        times.append(at)
    return times


@pytest.mark.parametrize(
    ("tempo", "interval_ms"),
    [(60, 41.666667), (80, 31.25), (90, 27.777778), (97, 25.773196), (120, 20.833333), (140, 17.857143)],
)
def test_ticks_are_2500_ms_divided_by_the_tempo_apart(tempo, interval_ms):
    """24 Timing Clocks a quarter note, MIDI 1.0 Detailed Specification: 2500 / bpm ms, computed by hand."""
    clock = TickClock(tempo, at=10.0)
    times = ticks_until(clock, end=40.0)
    assert times[0] == 10.0
    assert len(times) == int(30.0 * tempo * 24 / 60) + 1
    for number, time in enumerate(times):
        assert time == pytest.approx(10.0 + number * interval_ms / 1e3, abs=1e-6 * (number + 1))


def test_an_hour_of_ticks_is_an_hour_long():
    """No rounding adds up: 172,800 ticks at 120 bpm, whatever the host time, with an idle change at every beat."""
    clock = TickClock(120.0, at=1e6)
    for beat in range(7200):
        clock.change(120.0, 1e6 + beat * 0.5, now=1e6 + beat * 0.5)
        clock.due(1e6 + beat * 0.5)
    assert clock.next_due() == pytest.approx(1e6 + 7199 * 0.5 + 0.5 / 24, abs=1e-7)


def test_a_step_makes_intervals_of_both_tempi_and_one_mixed():
    """60 to 120 bpm a third into an interval: the rest of that interval passes twice as fast."""
    clock = TickClock(60.0, at=0.0)
    slow, fast = 2.5 / 60, 2.5 / 120
    ticks_until(clock, end=slow * 2.1)
    clock.change(120.0, at=slow * (2 + 1 / 3), now=slow * 2.1)
    times = [slow * 2, *ticks_until(clock, end=slow * 6)]
    gaps = [after - before for before, after in pairwise(times)]
    assert gaps[0] == pytest.approx(slow / 3 + fast * 2 / 3)
    assert gaps[1:] == pytest.approx([fast] * len(gaps[1:]))
    assert len(gaps) > 3


def test_an_order_about_the_past_counts_from_now():
    clock = TickClock(60.0, at=0.0)
    ticks_until(clock, end=0.0)
    clock.change(120.0, at=-5.0, now=0.5 * 2.5 / 60)
    assert clock.next_due() == pytest.approx(0.5 * 2.5 / 60 + 0.5 * 2.5 / 120)


def test_the_newest_order_replaces_one_that_lies_in_the_future():
    clock = TickClock(60.0, at=0.0)
    clock.change(200.0, at=10.0, now=0.0)
    clock.change(120.0, at=20.0, now=0.0)
    times = ticks_until(clock, end=30.0)
    gaps = [round(after - before, 9) for before, after in pairwise(times)]
    assert set(gaps) == {round(2.5 / 60, 9), round(2.5 / 120, 9)}


def test_after_a_stall_late_ticks_are_dropped_and_the_grid_stays():
    """10.7 intervals late: tick 10 is 0.7 late and goes too; tick 11 comes when it would have."""
    clock = TickClock(120.0, at=0.0)
    interval = 2.5 / 120
    assert clock.due(0.0) == (0.0, 0)
    assert clock.due(10.7 * interval) == (None, 10)
    assert clock.next_due() == pytest.approx(11 * interval)


def test_the_newest_tick_is_sent_if_it_is_late_by_less_than_half_an_interval():
    clock = TickClock(120.0, at=0.0)
    interval = 2.5 / 120
    assert clock.due(0.0) == (0.0, 0)
    at, dropped = clock.due(10.4 * interval)
    assert (at, dropped) == (pytest.approx(10 * interval), 9)


def test_a_stall_of_a_year_costs_no_time():
    clock = TickClock(400.0, at=0.0)
    _, dropped = clock.due(3.15e7)
    assert dropped == pytest.approx(3.15e7 * 160, rel=1e-6)


@given(tempo=TEMPOS, at=st.floats(0, 1e6), ticks=st.floats(0, 1e6), later=st.floats(0, 100))
def test_the_newest_tick_is_the_last_one_due(tempo, at, ticks, later):
    line = TickLine(at, ticks, 2.5 / tempo)
    newest = line.newest_by(at + later)
    assert line.time_of(newest) <= at + later < line.time_of(newest + 1)


@given(tempo=TEMPOS, other=TEMPOS, at=st.floats(0, 1e5), later=st.floats(0, 100))
def test_phase_goes_on_through_a_change(tempo, other, at, later):
    line = TickLine(at, 0.0, 2.5 / tempo)
    change = at + later
    assert line.retimed(other, change).ticks_at(change) == line.ticks_at(change)


@pytest.mark.parametrize("tempo", [19.9, 400.1, float("nan"), 0.0, -120.0])
def test_a_tempo_out_of_range_is_refused_and_changes_nothing(tempo):
    clock = TickClock(120.0, at=0.0)
    with pytest.raises(ValueError, match=r"20\.\.400 bpm"):
        clock.change(tempo, at=0.0, now=0.0)
    assert len(ticks_until(clock, end=1.0)) == 49
