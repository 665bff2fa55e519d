"""OSC receivers are outputs like the MIDI ports."""

from __future__ import annotations

import socket

import pytest

from bridge.edge.outputs import Outputs, UdpPort
from bridge.errors import DeviceError

PACKET = b"/tap\0\0\0\0,i\0\0\0\0\0\1"


def test_a_packet_reaches_the_receiver_that_the_name_says():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        receiver.settimeout(5.0)
        outputs = Outputs()
        port = outputs.open(f"osc://127.0.0.1:{receiver.getsockname()[1]}")
        port.send(PACKET)
        assert receiver.recv(100) == PACKET
        assert port.present()
        port.close()
        port.close()
        outputs.close()


def test_a_receiver_that_nobody_serves_fails_nothing():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        name = f"osc://127.0.0.1:{receiver.getsockname()[1]}"
    port = UdpPort(name)
    for _ in range(5):
        port.send(PACKET)
    port.close()


@pytest.mark.parametrize("name", ["osc://no.such.host.invalid:9000", "osc://127.0.0.1", "osc://127.0.0.1:kettle"])
def test_an_unknown_receiver_is_refused_with_the_keys_to_mend(name):
    with pytest.raises(DeviceError, match=r"is unknown here .*osc\.host"):
        UdpPort(name)
