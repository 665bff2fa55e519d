"""Blinking reaches the ports that are meant, one after the other, and says nothing that a device acts on."""

from __future__ import annotations

import mido
import pytest
import rtmidi

from bridge.edge import blink, midi
from bridge.edge.midi import end_client
from bridge.errors import DeviceError
from tests.edge.test_midi import _until


def test_what_is_sent_is_exclusive_to_nobody():
    """7D is reserved for non-commercial use. Source: MIDI 1.0 Detailed Specification, Manufacturer's ID numbers."""
    message = mido.Message.from_bytes(blink.BLINK)
    assert message.type == "sysex"
    assert message.data[0] == 0x7D
    assert blink.BLINK[-1] == 0xF7


@pytest.mark.jack
def test_every_output_that_may_be_meant_blinks_in_turn_and_is_named_in_full(jack_server):
    heard: dict[str, list[bytes]] = {"in A": [], "in B": []}
    pedals = []
    for name, got in heard.items():
        pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
        pedal.ignore_types(sysex=False, timing=False, active_sense=False)
        pedal.set_callback(lambda event, _, got=got: got.append(bytes(event[0])))
        pedal.open_virtual_port(name)
        pedals.append(pedal)
    said: list[str] = []
    try:
        blink.blink("pedal box", said.append, api="jack", for_s=0.5)
        _until(lambda: all(heard.values()))
        assert all(set(got) == {blink.BLINK} for got in heard.values())
        assert [line.partition(" of ")[0] for line in said] == ["1", "2"]
        assert all('port = "pedal box' in line for line in said)
        with pytest.raises(DeviceError, match='"kettle" matches no MIDI output'):
            blink.blink("kettle", said.append, api="jack", for_s=0.1)
        assert len(midi.outputs("jack")) == 2
    finally:
        for pedal in pedals:
            end_client(pedal)
