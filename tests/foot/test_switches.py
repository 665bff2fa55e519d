"""Which switch a message, a key or an OSC address is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.foot.switches import Switches, heard
from bridge.rig_foot import Switch, Trigger


def switch(name: str, kind: str, number: int = 0, word: str = "", port: str = "Foot", **others) -> Switch:
    return Switch(name=name, trigger=Trigger(kind=kind, number=number, word=word), port=port, **others)


NOTE = switch("note", "note", 60, channel=2)
ANY = switch("any", "cc", 64)
PROGRAM = switch("program", "program", 3)
KEY = switch("key", "key", word="space", port="")
OSC = switch("osc", "osc", word="/foot/left", port="")
ALL = (NOTE, ANY, PROGRAM, KEY, OSC)


def ways(switches: Switches, *messages: str, port: str = "Foot") -> list[tuple[str, str]]:
    found = [one for data in messages for one in switches.of_midi(port, bytes.fromhex(data))]
    return [(switch.name, way) for switch, way in found]


@pytest.mark.parametrize(
    ("data", "wanted"),
    [
        ("913c40", [("note", "down")]),
        ("913c01", [("note", "down")]),
        ("913c00", [("note", "up")]),
        ("813c40", [("note", "up")]),
        ("903c40", []),  # channel 1
        ("913d40", []),
        ("c003", [("program", "touch")]),
        ("cf03", [("program", "touch")]),
        ("c004", []),
        ("f8", []),
        ("fe", []),
        ("f07d01f7", []),
        ("e00040", []),
        ("", []),
        ("913c", []),
        ("913c4040", []),
        ("91bc40", []),
    ],
)
def test_a_message_is_the_switch_that_it_names(data, wanted):
    """Source: MIDI 1.0 Detailed Specification, channel voice messages; velocity 0 is a Note Off."""
    assert ways(Switches(ALL), data) == wanted


def test_another_input_is_another_switch():
    assert ways(Switches(ALL), "913c40", port="Other") == []


def test_a_control_closes_at_its_threshold_and_opens_so_far_below_it():
    assert ways(Switches(ALL), "b0403f", "b04040", "b0407f", "b04031", "b0403f", "b04030", "b04000", "b04040") == [
        ("any", "down"),
        ("any", "up"),
        ("any", "down"),
    ]


def test_a_control_without_hysteresis_opens_below_its_threshold():
    switches = Switches([switch("any", "cc", 64, hysteresis=0)])
    assert [way for _, way in ways(switches, "b04040", "b04040", "b0403f")] == ["down", "up"]


def test_channels_of_one_control_do_not_mix():
    assert ways(Switches(ALL), "b0407f", "b14000", "b0407f") == [("any", "down")]


def test_a_control_whose_plug_was_pulled_begins_anew():
    switches = Switches(ALL)
    ways(switches, "b0407f")
    assert {gone.name for gone in switches.lost("Foot")} == {"note", "any", "program"}
    assert ways(switches, "b0407f") == [("any", "down")]


@given(values=st.lists(st.integers(0, 127), max_size=60), low=st.integers(1, 127), gap=st.integers(0, 126))
def test_a_control_never_closes_or_opens_twice_in_a_row(values, low, gap):
    switches = Switches([switch("any", "cc", 64, threshold=low, hysteresis=gap)])
    found = [way for value in values for _, way in switches.of_midi("Foot", bytes([0xB0, 64, value]))]
    assert found == ["down", "up"] * (len(found) // 2) + ["down"] * (len(found) % 2)


@given(st.binary(max_size=6))
def test_no_bytes_are_too_odd(data):
    said = heard(data)
    assert said is None or (0 <= said.number <= 127 and 0 <= said.value <= 127 and 1 <= said.channel <= 16)


def test_keys_and_addresses():
    switches = Switches(ALL)
    assert switches.of_key("space") == [(KEY, "touch")]
    assert switches.of_key("a") == []
    assert switches.of_osc("/foot/left", ()) == [(OSC, "touch")]
    assert switches.of_osc("/foot/left", (1.0,)) == [(OSC, "down")]
    assert switches.of_osc("/foot/left", (0,)) == [(OSC, "up")]
    assert switches.of_osc("/foot/left", (False,)) == [(OSC, "up")]
    with pytest.raises(ValueError, match="takes a number"):
        switches.of_osc("/foot/left", ("on",))
    assert (switches.ports, switches.has_keys, switches.addresses) == (("Foot",), True, ("/foot/left",))
