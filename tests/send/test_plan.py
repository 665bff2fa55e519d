"""Promises of the plan that the sender has of a rig."""

from dataclasses import replace
from fractions import Fraction
from math import nan

import pytest

from bridge import rig
from bridge.rig import Deck, Midi, Osc, Pedal, Rig, SoundInput
from bridge.send.delay_times import TimePlan
from bridge.send.messages import control_change, note_off, note_on, osc_message
from bridge.send.plan import PortPlan, SendPlan, StagePlan
from bridge.send.taps import TapPlan

LONG_ECHO = PortPlan(name="Pedals A", pedals=("long echo",))
TAP = TapPlan(pedal="short echo", press=note_on(3, 60), release=note_off(3, 60))


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
        stage=StagePlan(decks=rig.decks, begun=("north",)),
    )


def test_an_impossible_plan_is_refused():
    with pytest.raises(ValueError, match="feeds nothing"):
        PortPlan(name="Pedals A", pedals=())
    with pytest.raises(ValueError, match="'long echo' stands twice"):
        SendPlan(ports=(LONG_ECHO, PortPlan(name="Pedals B", pedals=("long echo",))))
    with pytest.raises(ValueError, match="'Pedals A' stands twice"):
        SendPlan(ports=(LONG_ECHO, PortPlan(name="Pedals A", pedals=("stutter",))))
    with pytest.raises(ValueError, match="bpm"):
        PortPlan(name="Pedals A", pedals=("long echo",), begin_tempo=float("nan"))


def test_the_plan_of_a_rig_has_taps_and_times_where_they_go():
    """On the pedal's port with its channel, or at the rig's OSC receiver, which is an output like the others."""
    taps = rig.Taps(message="cc", number=64, on=100, off=1, count=5, every_s=30.0, drift_percent=2.0, contact_ms=60.0)
    by_osc = rig.Times(message="osc", address="/long-echo/time", division=Fraction(3, 4))
    both = Rig(
        path="rig.toml",
        sound=SoundInput(),
        decks=(Deck(name="north", channels=(1, 2)),),
        pedals=(
            Pedal(name="long echo", port="Pedals A", listens_to="north", latency_ms=-4.0, needs="beat"),
            Pedal(
                name="short echo",
                port="Pedals A",
                channel=3,
                listens_to="north",
                sync=("taps",),
                taps=taps,
                latency_ms=9.0,
            ),
            Pedal(name="stutter", listens_to="north", sync=("times",), times=by_osc, delay_ms=(50.0, 900.0)),
        ),
        osc=Osc(host="127.0.0.1", port=9000),
    )
    pedals_a, osc = SendPlan.of(both).ports
    assert (pedals_a.name, pedals_a.pedals, pedals_a.latency_s) == ("Pedals A", ("long echo",), -0.004)
    assert pedals_a.needs_beat
    assert pedals_a.taps == (
        TapPlan(
            pedal="short echo",
            press=control_change(3, 64, 100),
            release=control_change(3, 64, 1),
            count=5,
            every_s=30.0,
            drift=0.02,
            contact_s=0.06,
            latency_s=0.009,
        ),
    )
    assert osc.name == "osc://127.0.0.1:9000"
    assert osc.pedals == ()
    [time] = osc.times
    assert (time.division, time.limits_ms) == (0.75, (50.0, 900.0))
    assert time.bytes_at(500.0) == osc_message("/long-echo/time", 500.0)


@pytest.mark.parametrize(
    ("taps", "press", "release"),
    [
        (rig.Taps(message="note", number=60, on=99), note_on(2, 60, 99), note_off(2, 60)),
        (rig.Taps(message="program", number=7), bytes((0xC1, 7)), None),
        (rig.Taps(message="osc", address="/tap", on=1), osc_message("/tap", 1), osc_message("/tap", 0)),
    ],
)
def test_every_way_of_tapping_has_its_bytes(taps, press, release):
    pedal = Pedal(name="short echo", port="Pedals A", channel=2, listens_to="north", sync=("taps",), taps=taps)
    plan = TapPlan.of(pedal)
    assert (plan.press, plan.release) == (press, release)


def test_a_plan_that_cannot_be_carried_out_is_refused():
    with pytest.raises(ValueError, match="same tap contact"):
        PortPlan(name="Pedals A", taps=(TAP, replace(TAP, pedal="long echo")))
    with pytest.raises(ValueError, match="latency_s"):
        PortPlan(name="Pedals A", pedals=("long echo",), latency_s=nan)
    bare = Pedal(name="short echo", port="Pedals A", listens_to="north")
    with pytest.raises(ValueError, match="no table for taps"):
        TapPlan.of(bare)
    with pytest.raises(ValueError, match="no table for times"):
        TimePlan.of(bare)
    with pytest.raises(ValueError, match="needs a number"):
        TapPlan.of(replace(bare, taps=rig.Taps(message="cc")))
