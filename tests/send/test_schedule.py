"""Promises of the schedule."""

from itertools import pairwise
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import PedalTold, TicksDropped
from bridge.events_sent import DelayTimeTold, TapsDropped, TapsSent
from bridge.send.delay_times import TimePlan
from bridge.send.messages import CLOCK, START, STOP, note_off, note_on
from bridge.send.plan import PortPlan, SendPlan
from bridge.send.schedule import QUIET_S, Message, Schedule
from bridge.send.taps import TapPlan
from bridge.testing.clock import FakeClock
from tests.strict_midi import parse

PLAN = SendPlan(
    ports=(
        PortPlan(name="Pedals A", pedals=("long echo", "loop box")),
        PortPlan(name="Pedals B", pedals=("short echo",)),
    )
)


def told(
    tempo: float, at: float = 0.0, pedal: str = "long echo", beats: float | None = None, ratio: float = 1.0
) -> PedalTold:
    """Return an order."""
    return PedalTold(at=at, pedal=pedal, deck="north", tempo=tempo, ratio=ratio, why="drift", beats=beats)


def sent_until(schedule: Schedule, clock: FakeClock, end: float) -> list[Message]:
    """Drive the schedule as a perfect sender would."""
    messages: list[Message] = []
    while schedule.next_due() <= end:
        clock.advance_to(schedule.next_due())
        due = schedule.due(clock())
        assert due.facts == ()
        messages += due.messages
    clock.advance_to(end)
    return messages


def test_nothing_is_sent_before_the_first_order():
    schedule = Schedule(PLAN, now=0.0)
    assert schedule.next_due() == inf
    assert schedule.due(1e6) == ((), ())


def test_an_order_begins_the_clock_of_its_port_alone():
    clock = FakeClock()
    schedule = Schedule(PLAN, now=clock())
    schedule.take(told(120.0, at=1.0), clock())
    messages = sent_until(schedule, clock, end=2.0)
    assert {message.port for message in messages} == {"Pedals A"}
    assert {message.data for message in messages} == {b"\xf8"}
    assert messages[0].at == 1.0
    assert len(messages) == 49


def test_a_tempo_to_begin_with_is_sent_from_the_start():
    plan = SendPlan(ports=(PortPlan(name="Pedals A", pedals=("long echo",), begin_tempo=60.0),))
    clock = FakeClock(5.0)
    messages = sent_until(Schedule(plan, now=clock()), clock, end=6.0)
    assert [message.at for message in messages] == pytest.approx([5.0 + tick / 24 for tick in range(25)])


def test_an_order_for_any_pedal_of_a_port_moves_its_clock():
    clock = FakeClock()
    schedule = Schedule(PLAN, now=clock())
    schedule.take(told(60.0), clock())
    sent_until(schedule, clock, end=1.0)
    schedule.take(told(120.0, pedal="loop box"), clock())
    messages = sent_until(schedule, clock, end=2.0)
    assert messages[1].at - messages[0].at == pytest.approx(2.5 / 120)


def test_two_ports_keep_two_tempi():
    clock = FakeClock()
    schedule = Schedule(PLAN, now=clock())
    schedule.take(told(60.0), clock())
    schedule.take(told(97.0, pedal="short echo"), clock())
    messages = sent_until(schedule, clock, end=60.001)
    assert sum(message.port == "Pedals A" for message in messages) == 60 * 24 + 1
    assert sum(message.port == "Pedals B" for message in messages) == 97 * 24 + 1
    assert [message.at for message in messages] == sorted(message.at for message in messages)


def test_an_order_for_an_unknown_pedal_is_refused_with_the_known_ones():
    with pytest.raises(ValueError, match="'stutter'; known: long echo, loop box, short echo"):
        Schedule(PLAN, now=0.0).take(told(120.0, pedal="stutter"), 0.0)


def test_a_stall_is_told_once_per_port():
    schedule = Schedule(PLAN, now=0.0)
    schedule.take(told(120.0), 0.0)
    schedule.take(told(120.0, pedal="short echo"), 0.0)
    schedule.due(0.0)
    due = schedule.due(10.7 * 2.5 / 120)
    assert due.messages == ()
    assert [(fact.port, fact.count) for fact in due.facts] == [("Pedals A", 10), ("Pedals B", 10)]
    assert schedule.due(10.7 * 2.5 / 120) == ((), ())


@given(
    tempo=st.floats(20, 400),
    other=st.floats(20, 400),
    change=st.floats(0, 2),
    repeats=st.lists(st.floats(0, 3), max_size=5),
)
def test_an_order_repeated_changes_nothing(tempo, other, change, repeats):
    """A restarted listener may say again what it said."""
    order = told(other, at=change)
    runs = []
    for say_again in ([], sorted(repeats)):
        clock = FakeClock()
        schedule = Schedule(PLAN, now=clock())
        schedule.take(told(tempo), clock())
        schedule.take(order, clock())
        sent = []
        for after in say_again:
            sent += sent_until(schedule, clock, after)
            schedule.take(order, clock())
        runs.append(sent + sent_until(schedule, clock, 4.0))
    assert runs[0] == runs[1]


STEPS = st.lists(
    st.tuples(
        st.floats(-0.05, 0.5) | st.floats(0, 0.03),  # time until the next call; a jump back must do no harm
        st.none() | st.sampled_from([0.0, 0.49, 0.51]) | st.floats(0, 1),  # instead: how late it is for the next tick,
        # as a part of the interval
        st.none() | st.tuples(st.floats(20, 400), st.floats(-1, 1)),  # an order: its tempo, and how far off its instant
    ),
    max_size=80,
)


@given(steps=STEPS)
def test_never_a_burst(steps):
    """However orders and calls jump, two ticks are never closer than half the interval that the first of them began.

    That interval is of a tempo that was ordered, and no order changes it any more.
    """
    schedule, now, latest, last, promised = Schedule(PLAN, now=0.0), 0.0, 0.0, -inf, -inf
    began = 0.0  # the interval that the newest tick began
    ordered = list[float]()
    for step, late, order in steps:
        now = now + step if late is None or schedule.next_due() == inf else schedule.next_due() + late * began
        latest = max(latest, now)
        if order is not None:
            tempo, off = order
            schedule.take(told(tempo, at=now + off), now)
            ordered.append(2.5 / tempo)
        messages = schedule.due(now).messages
        assert len(messages) <= 1
        if messages:
            at = messages[0].at
            assert promised - 1e-9 <= at <= latest
            assert latest - last >= 0.5 * began - 1e-9
            promised = schedule.next_due()
            began, last = promised - at, latest
            assert any(abs(began - interval) < 1e-9 for interval in ordered)


@given(tempo=st.floats(20, 400), calls=st.lists(st.floats(0, 1), min_size=1, max_size=60))
def test_every_tick_is_sent_or_counted(tempo, calls):
    """Sent and dropped ticks add up to the grid, and those sent lie on it."""
    schedule, now, sent, dropped = Schedule(PLAN, now=0.0), 0.0, [], 0
    schedule.take(told(tempo), 0.0)
    for step in calls:
        now += step
        due = schedule.due(now)
        sent += [message.at for message in due.messages]
        dropped += sum(fact.count for fact in due.facts if isinstance(fact, TicksDropped))
    interval = 2.5 / tempo
    assert len(sent) + dropped == pytest.approx(now / interval + 0.5, abs=0.5 + 1e-6)
    for at in sent:
        assert at / interval == pytest.approx(round(at / interval), abs=1e-6)


PRESS, RELEASE = note_on(3, 60), note_off(3, 60)
TAP = TapPlan(pedal="short echo", press=PRESS, release=RELEASE)
TIME = TimePlan(
    pedal="stutter",
    message="nrpn",
    number=1000,
    channel=5,
    points=((20.0, 0.0), (2000.0, 16383.0)),
    limits_ms=(20, 2000),
)
FULL = SendPlan(ports=(PortPlan(name="Pedals A", pedals=("long echo",), taps=(TAP,), times=(TIME,)),))


def driven(schedule: Schedule, clock: FakeClock, end: float) -> tuple[list[Message], list[object]]:
    """Drive the schedule as a perfect sender would; return all messages and facts."""
    messages, facts = [], []
    while schedule.next_due() <= end:
        clock.advance_to(schedule.next_due())
        before = schedule.next_due()
        due = schedule.due(clock())
        assert due.messages or due.facts or schedule.next_due() > before, "what is due must get done"
        messages += due.messages
        facts += due.facts
    clock.advance_to(end)
    return messages, facts


def test_latency_sends_ticks_earlier_or_later_than_they_count():
    """On beats, so that it can be seen: the beat of half past counts then, and its tick goes out 30 ms around it."""
    for latency in (0.03, -0.03):
        port = PortPlan(name="Pedals A", pedals=("long echo",), latency_s=latency, needs_beat=True)
        clock = FakeClock()
        schedule = Schedule(SendPlan(ports=(port,)), clock())
        schedule.take(told(60.0, at=0.1, beats=0.6), clock())
        messages, _ = driven(schedule, clock, 3.0)
        assert [message.at for message in messages[:2]] == pytest.approx([0.5 - latency, 0.5 - latency + 2.5 / 60])


def test_a_pedal_that_needs_no_beat_begins_at_once():
    """Bending a delay onto a beat would be heard, and mean nothing."""
    clock = FakeClock()
    schedule = Schedule(PLAN, clock())
    schedule.take(told(60.0, at=0.1, beats=0.6), clock())
    messages, _ = driven(schedule, clock, 1.0)
    assert messages[0].at == 0.1


def test_each_port_has_a_latency_of_its_own():
    names = {"Pedals A": 0.02, "Pedals B": -0.04}
    ports = tuple(PortPlan(name=n, pedals=(n,), latency_s=late, needs_beat=True) for n, late in names.items())
    clock = FakeClock()
    schedule = Schedule(SendPlan(ports=ports), clock())
    for name in names:
        schedule.take(told(60.0, at=0.0, pedal=name, beats=0.5), clock())
    messages, _ = driven(schedule, clock, 2.0)
    first = {name: next(message.at for message in messages if message.port == name) for name in names}
    assert first == pytest.approx({"Pedals A": 0.48, "Pedals B": 0.54})


def test_an_order_for_a_tapped_pedal_starts_no_clock():
    schedule = Schedule(FULL, 0.0)
    schedule.take(told(90.0, pedal="short echo"), 0.0)
    messages, facts = driven(schedule, FakeClock(), 60.0)
    assert {message.data for message in messages} == {PRESS, RELEASE}
    assert [type(fact) for fact in facts] == [TapsSent]


def test_taps_lie_on_the_beat_of_their_order():
    schedule = Schedule(FULL, 0.0)
    schedule.take(told(60.0, at=0.2, pedal="short echo", beats=7.7), 0.2)  # a beat at 0.5
    messages, _ = driven(schedule, FakeClock(0.2), 60.0)
    assert [message.at for message in messages if message.data == PRESS] == pytest.approx([0.5, 1.5, 2.5, 3.5])


def test_after_a_suspend_the_clock_goes_on_and_no_tap_falls_on_the_beat_of_before():
    schedule = Schedule(FULL, 0.0)
    schedule.take(told(60.0), 0.0)
    schedule.take(told(60.0, pedal="short echo", beats=0.5), 0.0)
    schedule.lose_phase(0.1)
    messages, _ = driven(schedule, FakeClock(0.1), 2.0)
    assert {message.data for message in messages} == {CLOCK, RELEASE}


def test_a_press_says_what_ends_it_and_when_it_is_too_late():
    """Should the sender vanish, the port's own process has the release at hand."""
    schedule = Schedule(FULL, 0.0)
    schedule.take(told(60.0, pedal="short echo", beats=0.0), 0.0)
    messages, _ = driven(schedule, FakeClock(), 60.0)
    press = next(message for message in messages if message.data == PRESS)
    assert press.undo == RELEASE
    assert press.until == pytest.approx(press.at + 0.003)
    assert press.undo_at == pytest.approx(press.at + 0.195)
    release = messages[messages.index(press) + 1]
    assert (release.data, release.undo, release.until) == (RELEASE, b"", inf)


def test_contacts_are_opened_at_the_start_when_a_port_comes_and_at_the_end():
    """Whoever was killed with a contact closed: what is sent is absolute, and does no harm to an open one."""
    clock = FakeClock()
    schedule = Schedule(FULL, clock())
    assert [message.data for message in schedule.due(0.0).messages] == [RELEASE]
    schedule.opened("Pedals A", 5.0)
    assert schedule.due(5.0).messages == (Message("Pedals A", 5.0, RELEASE),)
    schedule.take(told(60.0, at=6.0, pedal="short echo", beats=0.0), 6.0)
    clock.advance_to(6.0)
    messages, _ = driven(schedule, clock, 7.01)
    assert messages[-1].data == PRESS
    schedule.end(7.02)
    assert schedule.due(7.02).messages == (Message("Pedals A", 7.02, RELEASE),)
    assert schedule.next_due() == inf


def test_hands_off_ends_the_clock_without_a_stop_and_the_next_order_begins_it_again():
    port = PortPlan(name="Pedals A", pedals=("long echo", "loop box"), transport=("start", "stop"))
    clock = FakeClock()
    schedule = Schedule(SendPlan(ports=(port,)), clock())
    schedule.take(told(120.0), clock())
    driven(schedule, clock, 1.0)
    schedule.hands_off("long echo", 1.0)
    assert schedule.next_due() == inf
    schedule.take(told(120.0), 5.0)  # said again by a listener that was started again: nothing new
    assert schedule.next_due() == inf
    clock.advance_to(9.0)
    schedule.take(told(90.0, at=9.0), 9.0)
    messages, _ = driven(schedule, clock, 10.0)
    assert {message.data for message in messages} == {CLOCK}
    assert messages[0].at == pytest.approx(9.02)
    with pytest.raises(ValueError, match="'stutter'; known: long echo, loop box"):
        schedule.hands_off("stutter", 10.0)


def test_a_pedal_that_hands_are_off_is_neither_tapped_nor_told_a_time_until_its_next_order():
    clock = FakeClock()
    schedule = Schedule(FULL, clock())
    for pedal in ("short echo", "stutter"):
        schedule.take(told(60.0, pedal=pedal, beats=0.0), clock())
    driven(schedule, clock, 1.01)
    for pedal in ("short echo", "stutter"):
        schedule.hands_off(pedal, 1.01)
    schedule.opened("Pedals A", 1.5)
    messages, _ = driven(schedule, clock, 30.0)
    assert {message.data for message in messages} == {RELEASE}
    for pedal in ("short echo", "stutter"):
        schedule.take(told(60.0, at=30.0, pedal=pedal, beats=0.0), 30.0)
    messages, _ = driven(schedule, clock, 60.0)
    sent = [message.data for message in messages if message.data != RELEASE]
    assert sent == [TIME.bytes_at(1000.0), *[PRESS] * 4]


def test_all_quiet_opens_the_contact_within_a_burst_and_the_next_order_is_tapped_again():
    clock = FakeClock()
    schedule = Schedule(FULL, clock())
    schedule.take(told(60.0), clock())
    schedule.take(told(60.0, pedal="short echo", beats=0.0), clock())
    driven(schedule, clock, 1.01)
    schedule.quiet(1.02)
    messages, _ = driven(schedule, clock, 10.0)
    assert messages[0] == Message("Pedals A", 1.02, RELEASE)
    assert {message.data for message in messages[1:]} == {CLOCK}
    schedule.take(told(60.1, at=10.0, pedal="short echo", beats=0.5), 10.0)
    messages, _ = driven(schedule, clock, 20.0)
    assert [message.data for message in messages if message.data != CLOCK] == [PRESS, RELEASE] * 4


def test_what_a_port_left_out_is_known_by_its_bytes():
    clock = FakeClock()
    schedule = Schedule(FULL, clock())
    schedule.take(told(60.0, pedal="short echo", beats=0.0), clock())
    driven(schedule, clock, 1.5)
    assert schedule.missed("Pedals A", CLOCK, 1.5) == []
    [fact] = schedule.missed("Pedals A", PRESS, 1.5)
    assert (fact.pedal, fact.sent, fact.count) == ("short echo", 0, 4)


def test_nothing_is_tapped_on_a_port_that_is_gone():
    clock = FakeClock()
    schedule = Schedule(FULL, clock())
    schedule.gone("Pedals A", 0.0)
    schedule.take(told(60.0, pedal="short echo", beats=0.0), 0.0)
    messages, facts = driven(schedule, clock, 5.5)
    assert (PRESS in {message.data for message in messages}, facts) == (False, [])
    schedule.opened("Pedals A", 5.5)
    messages, _ = driven(schedule, clock, 20.0)
    assert [message.at for message in messages if message.data == PRESS] == pytest.approx([6.0, 7.0, 8.0, 9.0])


def test_a_stall_leaves_out_taps_and_ticks_and_sends_the_release_and_the_newest_time():
    schedule = Schedule(FULL, 0.0)
    for pedal in ("long echo", "short echo", "stutter"):
        schedule.take(told(60.0, pedal=pedal, beats=0.0), 0.0)
    driven(schedule, FakeClock(), 1.001)
    schedule.take(told(75.0, at=1.001, pedal="stutter"), 1.001)
    due = schedule.due(3.01)
    assert [message.data for message in due.messages] == [CLOCK, RELEASE, TIME.bytes_at(800.0)]
    assert due.messages[0].at == 3.0
    assert [type(fact) for fact in due.facts] == [TicksDropped, TapsDropped, DelayTimeTold]


def test_a_delay_time_goes_out_whole_and_only_where_no_tick_is_near():
    """Its 12 bytes take 3.84 ms of a cable, and the tick behind them must not wait."""
    clock = FakeClock()
    schedule = Schedule(FULL, clock())
    schedule.take(told(123.0), clock())
    ticks, times = [], []
    for n in range(400):
        messages, _ = driven(schedule, clock, n * 0.0173)
        schedule.take(told(60.0 + n % 7, at=clock(), pedal="stutter"), clock())
        ticks += [message.at for message in messages if message.data == CLOCK]
        times += [(clock(), message) for message in messages if message.data not in (CLOCK, RELEASE)]
    assert len(times) > 200
    assert all(len(parse(message.data)) == 4 for _, message in times)
    assert all(after - before > QUIET_S for before, after in pairwise(ticks))


@given(tempo=st.floats(20, 400), orders=st.lists(st.tuples(st.floats(0, 0.06), st.floats(30, 300)), max_size=40))
def test_no_delay_time_is_sent_within_6_ms_before_a_tick(tempo, orders):
    clock = FakeClock()
    schedule = Schedule(FULL, clock())
    schedule.take(told(tempo), clock())
    sent: list[tuple[float, bytes]] = []

    def drive(end: float) -> None:
        while schedule.next_due() <= end:
            clock.advance_to(schedule.next_due())
            sent.extend((clock(), message.data) for message in schedule.due(clock()).messages)
        clock.advance_to(end)

    for step, other in orders:
        drive(clock() + step)
        schedule.take(told(other, at=clock(), pedal="stutter"), clock())
    drive(clock() + 1.0)
    for (at, data), (after, what) in pairwise(sent):
        if data[:1] == b"\xb4" and what == CLOCK:
            assert after - at >= QUIET_S - 1e-9
    told_last = [data for _, data in sent if data[:1] == b"\xb4"][-1:]
    assert told_last == [TIME.bytes_at(min(60_000 / other, 2000)) for _, other in orders[-1:]]


def test_start_goes_out_before_the_first_tick_and_stop_at_the_end():
    port = PortPlan(name="Pedals A", pedals=("long echo",), transport=("start", "stop"), begin_tempo=120.0)
    clock = FakeClock(5.0)
    schedule = Schedule(SendPlan(ports=(port,)), clock())
    messages, _ = driven(schedule, clock, 6.0)
    assert [message.data for message in messages[:3]] == [START, CLOCK, CLOCK]
    assert messages[1].at - messages[0].at >= 0.001
    schedule.end(6.0)
    assert [message.data for message in schedule.due(6.0).messages] == [STOP]


def test_a_sequencer_that_missed_ticks_is_brought_back_where_the_rig_has_all_it_takes():
    port = PortPlan(name="Pedals A", pedals=("long echo",), transport=("start", "stop", "continue", "song_position"))
    clock = FakeClock()
    schedule = Schedule(SendPlan(ports=(port,)), clock())
    schedule.take(told(120.0), clock())
    driven(schedule, clock, 3.0)
    clock.advance(2.0)
    messages, _ = driven(schedule, clock, 9.0)
    kinds = [parse(message.data)[0].kind for message in messages]
    assert [kind for kind in kinds if kind != "clock"] == ["stop", "song position", "continue"]
    schedule.lost("Pedals A")  # in the port's own process
    messages, _ = driven(schedule, clock, 12.0)
    kinds = [parse(message.data)[0].kind for message in messages]
    assert [kind for kind in kinds if kind != "clock"] == ["stop", "song position", "continue"]


@given(
    steps=st.lists(
        st.tuples(
            st.floats(0, 0.4) | st.floats(0, 2.5),
            st.none() | st.tuples(st.sampled_from(["long echo", "short echo", "stutter"]), st.floats(20, 400)),
            st.booleans(),  # whether the sender is stalled meanwhile
        ),
        max_size=40,
    )
)
def test_whatever_happens_the_cable_carries_whole_messages_and_no_contact_stays_closed(steps):
    clock = FakeClock()
    schedule = Schedule(FULL, clock())
    stream: list[Message] = []
    for step, order, stalled in steps:
        if stalled:
            clock.advance(step)
            stream += schedule.due(clock()).messages
        else:
            stream += driven(schedule, clock, clock() + step)[0]
        if order is not None:
            schedule.take(told(order[1], at=clock(), pedal=order[0], beats=0.25), clock())
    schedule.end(clock())
    stream += schedule.due(clock()).messages
    assert schedule.next_due() == inf
    heard = parse(b"".join(message.data for message in stream))
    contacts = [one.kind for one in heard if one.kind.startswith("note")]
    assert contacts[-1] == "note off"
    assert ("note on", "note on") not in set(pairwise(contacts))
    parameters = [one.data[0] for one in heard if one.kind == "control"]
    assert parameters == [99, 98, 6, 38] * (len(parameters) // 4)
