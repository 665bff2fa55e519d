"""Promises of a rig's MIDI outputs, of which some are absent at times."""

import pytest

from bridge.edge.port_set import PortSet
from bridge.errors import DeviceError
from bridge.events import PortLost, PortOpened
from bridge.testing.clock import FakeClock
from bridge.testing.ports import ListPort


class Studio:
    """MIDI outputs that can be plugged in and pulled."""

    def __init__(self, clock: FakeClock) -> None:
        self.clock = clock
        self.plugged: dict[str, ListPort] = {}
        self.tries: list[float] = []

    def plug(self, name: str) -> ListPort:
        """Plug one in."""
        self.plugged[name] = ListPort(self.clock, found=f"{name} 20:0")
        return self.plugged[name]

    def open(self, name: str) -> ListPort:
        """Open one."""
        self.tries.append(self.clock())
        if name not in self.plugged:
            raise DeviceError(f'"{name}" matches no MIDI output.')
        return self.plugged[name]


@pytest.fixture
def studio() -> Studio:
    return Studio(FakeClock(100.0))


def test_what_is_plugged_in_is_open_at_once_and_told(studio):
    port = studio.plug("Pedals A")
    ports = PortSet(["Pedals A"], studio.open, studio.clock)
    assert ports.take_facts() == [PortOpened(at=100.0, port="Pedals A", found="Pedals A 20:0")]
    assert ports.take_facts() == []
    assert ports.send("Pedals A", b"\xf8")
    assert port.sent == [(100.0, b"\xf8")]
    ports.close()
    assert port.closed


def test_an_absent_port_is_told_once_tried_every_second_and_stops_no_other(studio):
    there = studio.plug("Pedals A")
    ports = PortSet(["Pedals A", "Pedals B"], studio.open, studio.clock)
    lost = [fact for fact in ports.take_facts() if isinstance(fact, PortLost)]
    assert lost == [PortLost(at=100.0, port="Pedals B", why='not ready: "Pedals B" matches no MIDI output.')]
    for _ in range(50):
        studio.clock.advance(0.1)
        ports.tend()
        assert not ports.send("Pedals B", b"\xf8")
        assert ports.send("Pedals A", b"\xf8")
    assert ports.take_facts() == []
    assert len(there.sent) == 50
    assert 5 <= len(studio.tries) - 1 <= 6
    late = studio.plug("Pedals B")
    studio.clock.advance(1.1)
    ports.tend()
    assert [type(fact) for fact in ports.take_facts()] == [PortOpened]
    assert ports.send("Pedals B", b"\xf8")
    assert len(late.sent) == 1


def test_a_pulled_cable_is_told_and_the_port_comes_back(studio):
    """Many systems take bytes for a port that is gone without a word: it is looked at four times a second."""
    first = studio.plug("Pedals A")
    ports = PortSet(["Pedals A"], studio.open, studio.clock)
    ports.take_facts()
    first.unplugged = True
    del studio.plugged["Pedals A"]
    for _ in range(3):
        studio.clock.advance(1.1)
        ports.tend()
    (lost,) = ports.take_facts()
    assert (lost.at, lost.port) == (101.1, "Pedals A")
    assert lost.why == '"Pedals A 20:0" was unplugged, or its connection was lost'
    assert first.closed
    second = studio.plug("Pedals A")
    studio.clock.advance(1.1)
    ports.tend()
    assert [type(fact) for fact in ports.take_facts()] == [PortOpened]
    ports.send("Pedals A", b"\xf8")
    assert len(second.sent) == 1


def test_a_port_that_fails_while_sending_raises_nothing(studio):
    port = studio.plug("Pedals A")
    ports = PortSet(["Pedals A"], studio.open, studio.clock)
    ports.take_facts()
    port.unplugged = True
    assert not ports.send("Pedals A", b"\xf8")
    assert not ports.send("Pedals A", b"\xf8")
    assert [fact.why for fact in ports.take_facts()] == ["Pedals A 20:0 is unplugged"]


def test_a_system_that_stalls_is_told_once_and_its_port_stays_open(studio, monkeypatch):
    """Closing a port waits for the system, too; the port is told as ready when it takes something again."""
    port = studio.plug("Pedals A")
    ports = PortSet(["Pedals A"], studio.open, studio.clock)
    with monkeypatch.context() as stalled:
        stalled.setattr(port, "send", _stand_still)
        assert not any([ports.send("Pedals A", b"\xf8") for _ in range(3)])  # noqa: C419 - all three are sent
    assert not port.closed
    assert ports.send("Pedals A", b"\xf8")
    assert ports.send("Pedals A", b"\xf8")
    facts = ports.take_facts()
    assert [type(fact) for fact in facts] == [PortOpened, PortLost, PortOpened]
    assert facts[1].why == "it stands still"


def _stand_still(_: bytes) -> None:
    raise BlockingIOError("it stands still")


def test_what_only_tells_of_undoing_is_taken_and_sends_nothing(studio):
    port = studio.plug("Pedals A")
    ports = PortSet(["Pedals A"], studio.open, studio.clock)
    assert ports.send("Pedals A", b"", undo=b"\xc0\x01", undo_at=101.0)
    assert port.sent == []
