"""Promises of the schedule."""

from fractions import Fraction
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import PedalTold, TicksDropped
from bridge.rig import Deck, Midi, Pedal, Rig, SoundInput
from bridge.send.schedule import Message, PortPlan, Schedule, SendPlan
from bridge.testing.clock import FakeClock

PLAN = SendPlan(
    ports=(
        PortPlan(name="Pedals A", pedals=("long echo", "loop box")),
        PortPlan(name="Pedals B", pedals=("short echo",)),
    )
)


def told(tempo: float, at: float = 0.0, pedal: str = "long echo") -> PedalTold:
    """Return an order."""
    return PedalTold(at=at, pedal=pedal, deck="north", tempo=tempo, ratio=1.0, why="drift")


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
        st.none() | st.tuples(st.floats(20, 400), st.floats(-1, 1)),  # an order: its tempo, and how far off its instant
    ),
    max_size=80,
)


@given(steps=STEPS)
def test_never_a_burst(steps):
    """However orders and calls jump, two ticks are never closer than half the shortest interval since the one before.

    An interval keeps the tempo that it began with.
    """
    schedule, now, latest = Schedule(PLAN, now=0.0), 0.0, 0.0
    last = pending = None
    in_force: list[float] = []  # the tempi since the last interval began
    for step, order in steps:
        now += step
        latest = max(latest, now)
        if pending is not None and pending[0] <= latest:
            in_force.append(pending[1])
            pending = None
        if order is not None:
            tempo, off = order
            schedule.take(told(tempo, at=now + off), now)
            pending = (max(now + off, latest), tempo)
        messages = schedule.due(now).messages
        assert len(messages) <= 1
        if messages:
            if pending is not None and pending[0] <= latest:
                in_force.append(pending[1])
                pending = None
            assert messages[0].at <= latest
            if last is not None:
                assert latest - last >= 0.5 * 2.5 / max(in_force) - 1e-9
            last, in_force = latest, in_force[-2:]


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


def test_the_plan_of_a_rig_has_each_port_once():
    rig = Rig(
        path="rig.toml",
        sound=SoundInput(),
        decks=(Deck(name="north", channels=(1, 2)),),
        pedals=(
            Pedal(name="long echo", port="Pedals A", listens_to="north", ratio=Fraction(1)),
            Pedal(name="short echo", port="Bridge out", listens_to="north"),
            Pedal(name="loop box", port="Pedals A", listens_to="north", begin_tempo=84.0),
        ),
        midi=Midi(api="jack", virtual=("Bridge out",)),
    )
    assert SendPlan.of(rig) == SendPlan(
        ports=(
            PortPlan(name="Pedals A", pedals=("long echo", "loop box"), begin_tempo=84.0),
            PortPlan(name="Bridge out", pedals=("short echo",)),
        ),
        api="jack",
        virtual=("Bridge out",),
    )


def test_an_impossible_plan_is_refused():
    with pytest.raises(ValueError, match="feeds no pedal"):
        PortPlan(name="Pedals A", pedals=())
    with pytest.raises(ValueError, match="'long echo' stands twice"):
        SendPlan(ports=(PLAN.ports[0], PortPlan(name="Pedals B", pedals=("long echo",))))
    with pytest.raises(ValueError, match="'Pedals A' stands twice"):
        SendPlan(ports=(PLAN.ports[0], PortPlan(name="Pedals A", pedals=("stutter",))))
    with pytest.raises(ValueError, match="bpm"):
        PortPlan(name="Pedals A", pedals=("long echo",), begin_tempo=float("nan"))
