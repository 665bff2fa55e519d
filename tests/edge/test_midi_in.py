"""MIDI inputs: how they are meant, and what comes through them on a private JACK server."""

from __future__ import annotations

import time

import pytest
import rtmidi

from bridge.edge.midi import end_client
from bridge.edge.midi_in import MidiInput, inputs, matching_input
from bridge.errors import DeviceError
from tests.conftest import JackServer

PLUGGED_IN = ["Foot", "Keys 1", "Keys 2", "USB Foot"]


@pytest.mark.parametrize(("name", "index"), [("Foot", 0), ("usb", 3), ("keys 2", 2), ("Keys #2", 2), ("USB Foot", 3)])
def test_a_name_means_an_input_by_the_rules_of_outputs(name: str, index: int) -> None:
    assert matching_input(name, PLUGGED_IN) == index


@pytest.mark.parametrize(
    ("name", "present", "said"),
    [
        ("keys", PLUGGED_IN, r'"keys" matches 2 MIDI inputs: "Keys 1", "Keys 2"\. Name one of them in full'),
        ("kettle", PLUGGED_IN, r'"kettle" matches no MIDI input\. Present now: "Foot", .*tapebridge ports'),
        ("kettle", [], r"Present now: none\."),
        ("Keys #3", PLUGGED_IN, "matches no MIDI input"),
    ],
)
def test_an_absent_or_ambiguous_input_is_refused_with_what_there_is(name: str, present: list[str], said: str) -> None:
    with pytest.raises(DeviceError, match=said):
        matching_input(name, present)


@pytest.mark.jack
def test_what_another_program_sends_is_listed_and_comes_in_as_whole_messages(jack_server: JackServer) -> None:
    foot = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "foot box")
    try:
        foot.open_virtual_port("out")
        assert "foot box:out" in inputs("jack")
        with MidiInput("FOOT BOX", "jack") as came_in:
            assert came_in.found == "foot box:out"
            sent = [b"\x90\x3c\x40", b"\xb0\x40\x7f", b"\xf8", b"\xc0\x05"]
            for message in sent:
                foot.send_message(message)
            came = []
            give_up = time.monotonic() + 5
            while len(came) < len(sent) and time.monotonic() < give_up:
                came += came_in.take()
                time.sleep(0.01)
        assert [one.data for one in came] == sent
    finally:
        end_client(foot)
    assert "foot box:out" not in inputs("jack")
