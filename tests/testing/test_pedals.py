"""The pedal reads its time from bytes as pedals do, and its echoes follow from its delay and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.testing.pedals import CLOCK, DelayPedal


def ticks(tempo, begin_at, count):
    """Clock messages of a steady tempo; their interval is 2500/tempo ms (CHECK_VALUES 3.1)."""
    return [(begin_at + i * 2.5 / tempo, CLOCK) for i in range(count)]


def pedal_with(*logs):
    box = DelayPedal()
    for log in logs:
        box.receive_all(log)
    return box


@given(tempo=st.floats(30, 300), begin_at=st.floats(0, 1e5))
def test_its_delay_is_one_quarter_note_of_the_clock(tempo, begin_at):
    """Source: 60000/bpm ms (CHECK_VALUES 6), 24 clocks a quarter (MIDI 1.0)."""
    box = pedal_with(ticks(tempo, begin_at, 60))
    assert box.delay_at(begin_at + 60 * 2.5 / tempo) == pytest.approx(60 / tempo, rel=1e-4)


def test_it_has_no_time_before_it_heard_a_few_ticks():
    box = pedal_with(ticks(100, 5.0, 7))
    assert np.isnan(box.delay_at([4.0, 5.0, 5.1])).all()
    assert box.delay_at(5.0 + 6 * 0.025) == pytest.approx(0.6)
    assert np.isnan(pedal_with(ticks(100, 5.0, 6)).delay_at(9.0))
    assert np.isnan(DelayPedal().delay_at(1.0))
    assert np.isnan(DelayPedal().echoes_of([1.0, 2.0])).all()


def test_the_first_tick_after_a_pause_only_starts_the_measurement():
    """A gap of 3 s is no tempo: the delay stays until there are enough new ticks, then glides."""
    box = pedal_with(ticks(100, 0.0, 30), ticks(150, 4.0, 40))
    assert box.delay_at(4.08) == pytest.approx(0.6)
    assert box.delay_at(5.0) == pytest.approx(0.4, rel=1e-3)


def test_it_keeps_its_time_when_the_clock_ends():
    assert pedal_with(ticks(100, 0.0, 30)).delay_at(1000.0) == pytest.approx(0.6)


def test_it_glides_from_one_time_to_the_next_without_a_step():
    """At a speed switch from 59 to 118 bpm its time halves within about a beat, through every value between."""
    box = pedal_with(ticks(59, 0.0, 48), ticks(118, 48 * 2.5 / 59, 96))
    time_s = np.arange(1.0, 5.0, 0.001)
    delay_s = box.delay_at(time_s)
    assert delay_s[0] == pytest.approx(60 / 59)
    assert delay_s[-1] == pytest.approx(60 / 118, rel=1e-3)
    assert np.abs(np.diff(delay_s)).max() < 0.002


def test_a_steady_delay_repeats_a_hit_after_its_time():
    box = pedal_with(ticks(100, 0.0, 200))
    hits = np.array([1.0, 1.37, 2.0])
    assert box.echoes_of(hits) == pytest.approx(hits + 0.6)
    assert box.echoes_of(box.echoes_of(hits)) == pytest.approx(hits + 1.2)


@given(first=st.floats(40, 240), second=st.floats(40, 240), hit=st.floats(1.0, 4.0))
def test_an_echo_is_heard_when_the_delay_reaches_back_to_its_hit(first, second, hit):
    """The law of a delay line, also while it glides: echo - delay(echo) = hit, and it comes after its hit."""
    turn_at = 48 * 2.5 / first
    box = pedal_with(ticks(first, 0.0, 48), ticks(second, turn_at, 400))
    echo = float(box.echoes_of(hit))
    assert echo > hit
    assert echo - float(box.delay_at(echo)) == pytest.approx(hit, abs=1e-6)


def test_a_hit_before_it_has_a_time_has_no_echo():
    echoes = pedal_with(ticks(100, 5.0, 50)).echoes_of([4.0, 5.5])
    assert np.isnan(echoes[0])
    assert echoes[1] == pytest.approx(6.1)


@pytest.mark.parametrize(
    "message", [b"", b"\xf8\xf8", b"\x90\x3c", b"\x3c", b"\xf4", b"\xf9", b"\xf2\x00\x00", b"\x90\x3c\x40"]
)
def test_what_is_not_whole_or_means_nothing_to_it_is_counted_and_changes_nothing(message):
    box = pedal_with(ticks(100, 0.0, 30), [(1.0, message)])
    assert (box.ticks, box.unknown) == (30, 1)
    assert box.delay_at(2.0) == pytest.approx(0.6)


@pytest.mark.parametrize("message", [b"\xfa", b"\xfb", b"\xfc", b"\xfe"])
def test_start_stop_and_active_sensing_leave_its_time_alone(message):
    box = pedal_with(ticks(100, 0.0, 20), [(19 * 0.025 + 0.01, message)], ticks(100, 0.5, 20))
    assert (box.ticks, box.unknown) == (40, 0)
    assert box.delay_at(2.0) == pytest.approx(0.6)


@pytest.mark.parametrize("at", [0.9, float("nan"), float("inf")])
def test_bytes_out_of_order_are_refused(at):
    box = pedal_with([(1.0, CLOCK)])
    with pytest.raises(ValueError, match="in order of time"):
        box.receive(at, CLOCK)


@pytest.mark.parametrize("glide_s", [0.0, -1.0, float("nan"), float("inf")])
def test_a_glide_of_no_length_is_refused(glide_s):
    with pytest.raises(ValueError, match="glide_s"):
        DelayPedal(glide_s=glide_s)
