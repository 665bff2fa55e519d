"""Promises of the port that remembers."""

import pytest

from bridge.testing.clock import FakeClock
from bridge.testing.ports import ListPort


def test_a_list_port_keeps_bytes_and_times():
    clock = FakeClock(1.0)
    port = ListPort(clock)
    port.send(b"\xf8")
    clock.advance(0.5)
    port.send(b"\xf8")
    assert port.sent == [(1.0, b"\xf8"), (1.5, b"\xf8")]


def test_a_closed_or_unplugged_list_port_fails_as_hardware_does():
    port = ListPort(FakeClock())
    port.unplugged = True
    assert not port.present()
    with pytest.raises(OSError, match="unplugged"):
        port.send(b"\xf8")
    port.unplugged = False
    port.close()
    with pytest.raises(OSError, match="closed"):
        port.send(b"\xf8")
    assert port.sent == []
