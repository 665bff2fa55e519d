"""Promises of the delay times that pedals are told."""

from __future__ import annotations

from itertools import pairwise
from math import inf, nan

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import Fact
from bridge.rig import DIVISIONS
from bridge.send.delay_times import EVERY_S, DelayTimes, TimePlan, delay_ms
from bridge.send.messages import osc_message
from tests.strict_midi import parse

TABLE = {
    60: (4000, 2000, 1500, 1000, 666.667, 750, 500, 333.333, 375, 250, 166.667),
    72: (3333.333, 1666.667, 1250, 833.333, 555.556, 625, 416.667, 277.778, 312.5, 208.333, 138.889),
    80: (3000, 1500, 1125, 750, 500, 562.5, 375, 250, 281.25, 187.5, 125),
    90: (2666.667, 1333.333, 1000, 666.667, 444.444, 500, 333.333, 222.222, 250, 166.667, 111.111),
    97: (2474.227, 1237.113, 927.835, 618.557, 412.371, 463.918, 309.278, 206.186, 231.959, 154.639, 103.093),
    120: (2000, 1000, 750, 500, 333.333, 375, 250, 166.667, 187.5, 125, 83.333),
    140: (1714.286, 857.143, 642.857, 428.571, 285.714, 321.429, 214.286, 142.857, 160.714, 107.143, 71.429),
}
"""Delay times in ms. The row of 120 is printed in two published tables (500, 250, 125, 750, 375, 333.33, 166.67); the
others by the published sum of 60000 / tempo, with two spot values: an eighth at 100 is 300 ms, at 142 it is 211.268."""

COLUMNS = ("1/1", "1/2", "1/4.", "1/4", "1/4T", "1/8.", "1/8", "1/8T", "1/16.", "1/16", "1/16T")


@pytest.mark.parametrize("tempo", TABLE)
def test_note_values_are_those_of_published_tables(tempo):
    for name, wanted in zip(COLUMNS, TABLE[tempo], strict=True):
        assert delay_ms(tempo, float(DIVISIONS[name])) == pytest.approx(wanted, abs=5e-4), name


def test_two_note_values_that_are_published_singly():
    assert delay_ms(100, float(DIVISIONS["1/8"])) == pytest.approx(300)
    assert delay_ms(142, float(DIVISIONS["1/8"])) == pytest.approx(211.268, abs=5e-4)


def test_an_impossible_note_value_or_tempo_is_refused():
    for tempo, division in ((120, 0), (120, -1), (120, nan), (120, inf), (nan, 1), (10, 1)):
        with pytest.raises(ValueError, match="must be"):
            delay_ms(tempo, division)


def cc(**fields) -> TimePlan:
    """A pedal whose control 20 goes from 20 ms at 0 to 1290 ms at 127: 10 ms a step."""
    usual = {
        "pedal": "long echo",
        "message": "cc",
        "number": 20,
        "channel": 3,
        "points": ((20.0, 0.0), (1290.0, 127.0)),
    }
    return TimePlan(**(usual | {"limits_ms": (20.0, 1500.0)} | fields))


def test_a_value_lies_on_the_line_between_two_points():
    plan = cc(points=((100.0, 10.0), (200.0, 30.0), (400.0, 127.0)))
    assert [plan.value_at(time) for time in (50, 100, 150, 200, 300, 400, 900)] == [10, 10, 20, 30, 78.5, 127, 127]


def test_a_value_may_lie_with_the_logarithm_of_the_time():
    """Every doubling of the time is as many steps: what a knob with an exponential taper does."""
    plan = cc(points=((100.0, 0.0), (1600.0, 120.0)), between="log")
    assert [plan.value_at(time) for time in (100, 200, 400, 800, 1600)] == pytest.approx([0, 30, 60, 90, 120])


def test_values_may_fall_as_the_time_grows():
    plan = cc(points=((100.0, 127.0), (200.0, 0.0)))
    assert [plan.value_at(time) for time in (100, 150, 200)] == [127, 63.5, 0]


@given(time=st.floats(1, 60_000), log=st.booleans())
def test_a_time_and_its_value_grow_together(time, log):
    plan = cc(points=((20.0, 0.0), (300.0, 90.0), (1290.0, 127.0)), between="log" if log else "linear")
    assert 0 <= plan.value_at(time) <= plan.value_at(time * 1.01) <= 127


@pytest.mark.parametrize(
    ("message", "number", "wanted"),
    [
        ("cc", 20, [("control", (20, 48))]),  # (500 - 20) / 10
        ("cc14", 20, [("control", (20, 48)), ("control", (52, 48))]),  # 6192 = 48 * 128 + 48
        ("nrpn", 1000, [("control", (99, 7)), ("control", (98, 104)), ("control", (6, 48)), ("control", (38, 48))]),
    ],
)
def test_a_time_goes_out_by_the_letter_of_the_standard(message, number, wanted):
    """Controls of 14 bits have the coarse half first; a parameter's number comes before its value (MIDI 1.0)."""
    highest = 127.0 if message == "cc" else 127.0 * 129  # so that 500 ms is 48 in both halves
    plan = cc(message=message, number=number, points=((20.0, 0.0), (1290.0, highest)))
    heard = parse(plan.bytes_at(500.0))
    assert [(one.kind, one.data) for one in heard] == wanted
    assert {one.channel for one in heard} == {3}
    parser = mido.Parser()
    parser.feed(plan.bytes_at(500.0))
    assert [(one.type, one.channel, (one.control, one.value)) for one in parser] == [
        ("control_change", 2, data) for _, data in wanted
    ]


def test_osc_carries_the_time_in_ms_unless_points_make_it_a_value():
    plan = TimePlan(pedal="long echo", message="osc", address="/long-echo/time")
    assert plan.bytes_at(714.5) == osc_message("/long-echo/time", 714.5)
    plan = TimePlan(pedal="long echo", message="osc", address="/long-echo/time", points=((0.5, 0.0), (1000.5, 1.0)))
    assert plan.bytes_at(500.5) == osc_message("/long-echo/time", 0.5)


def test_a_time_that_no_octave_fits_is_cut_at_what_the_pedal_can_make():
    """By its own limits, and by those of its points; where these are apart, its own."""
    assert cc().reach_ms() == (20.0, 1290.0)
    assert cc(limits_ms=(30.0, 900.0)).reach_ms() == (30.0, 900.0)
    assert cc(limits_ms=(2000.0, 4000.0)).reach_ms() == (2000.0, 4000.0)
    times = DelayTimes(cc())
    times.tell(30.0, 0.0, "begin")
    sent, [fact] = run(times, 1.0)
    assert (sent[0][1][2], fact.delay_ms) == (127, 1290.0)


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"points": ()}, "need 2 points or more for cc, got 0"),
        ({"points": ((1.0, 1.0),)}, "got 1"),
        ({"points": ((5.0, 1.0), (5.0, 2.0))}, "go up in time"),
        ({"points": ((nan, 1.0), (5.0, 2.0))}, "go up in time"),
        ({"limits_ms": (100.0, 100.0)}, "limits_ms"),
        ({"limits_ms": (nan, 100.0)}, "limits_ms"),
    ],
)
def test_an_impossible_plan_is_refused(fields, says):
    with pytest.raises(ValueError, match=says):
        cc(**fields)


def run(times: DelayTimes, until: float) -> tuple[list[tuple[float, bytes]], list[Fact]]:
    """Ask for what is due exactly when it is; return when each message went out, and the facts."""
    sent, facts = [], []
    while (now := min(times.next_due(), times.next_fact())) <= until:
        messages, told = times.due(now), times.take_facts(now)
        assert messages or told, "what is due must get done"
        sent += [(now, data) for _, data in messages]
        facts += told
    return sent, facts


def test_a_new_time_goes_out_at_once_and_the_same_one_never_again():
    times = DelayTimes(cc())
    times.tell(120.0, 1.0, "begin")
    assert run(times, 60.0)[0] == [(1.0, bytes((0xB2, 20, 48)))]
    times.tell(120.3, 60.0, "drift")  # 498.8 ms: the same step of 10 ms
    assert run(times, 120.0)[0] == []


def test_between_two_messages_there_are_20_ms_and_the_newest_time_goes_out():
    times = DelayTimes(cc())
    times.tell(120.0, 1.0, "begin")
    run(times, 1.0)
    for n, tempo in enumerate((110.0, 100.0, 90.0)):
        times.tell(tempo, 1.001 + n * 0.001, "drift")
    assert run(times, 2.0)[0] == [(1.02, times.plan.bytes_at(666.667))]


def test_what_waits_through_a_stall_is_the_newest_time_alone():
    times = DelayTimes(cc())
    times.tell(120.0, 1.0, "begin")
    times.tell(90.0, 1.5, "step")
    messages = times.due(3.0)
    [fact] = times.take_facts(3.0)
    assert [data for _, data in messages] == [times.plan.bytes_at(666.667)]
    assert (fact.delay_ms, fact.why) == (pytest.approx(666.667, abs=1e-3), "step")


def test_drift_is_written_down_once_a_second_and_a_step_at_once():
    times, facts = DelayTimes(cc()), []
    times.tell(120.0, 0.0, "begin")
    facts += run(times, 0.0)[1]
    for n in range(1, 13):
        facts += run(times, n * 0.25)[1]
        times.tell(120.0 - 3 * n, n * 0.25, "drift")
    times.tell(60.0, 3.1, "step")
    facts += run(times, 10.0)[1]
    assert [fact.why for fact in facts] == ["begin", "drift", "drift", "drift", "step"]
    assert [fact.at for fact in facts[:4]] == [0.0, 0.75, 1.75, 2.75]
    assert facts[-1].at == pytest.approx(3.1)


def test_a_pedal_that_comes_back_is_told_its_time_again():
    times = DelayTimes(cc())
    times.tell(120.0, 1.0, "begin")
    run(times, 5.0)
    times.forget(9.0)
    assert run(times, 20.0)[0] == [(9.0, times.plan.bytes_at(500.0))]


def test_after_the_end_nothing_is_sent():
    times = DelayTimes(cc())
    times.tell(120.0, 1.0, "begin")
    times.end()
    assert times.next_due() == inf
    assert times.due(5.0) == []


@given(
    orders=st.lists(st.tuples(st.floats(0, 0.1), st.floats(20, 400)), min_size=1, max_size=60),
    message=st.sampled_from(["cc", "cc14", "nrpn"]),
)
def test_messages_never_crowd_and_the_last_time_always_arrives(orders, message):
    """However the tempo jumps: at least 20 ms from message to message, each whole, the newest time at the end."""
    highest = 127.0 if message == "cc" else 16383.0
    times = DelayTimes(cc(message=message, points=((20.0, 0.0), (1500.0, highest))))
    now, sent = 0.0, []
    for step, tempo in orders:
        sent += run(times, now + step)[0]
        now += step
        times.tell(tempo, now, "drift")
    sent += run(times, now + 5.0)[0]
    assert all(after - before >= EVERY_S - 1e-9 for (before, _), (after, _) in pairwise(sent))
    assert {len(parse(data)) for _, data in sent} == {{"cc": 1, "cc14": 2, "nrpn": 4}[message]}
    assert sent[-1][1] == times.plan.bytes_at(min(delay_ms(orders[-1][1]), 1500.0))
