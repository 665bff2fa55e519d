"""Promises of the MIDI outputs."""

import time

import pytest
import rtmidi

from bridge.edge import midi
from bridge.edge.host_clock import now
from bridge.edge.midi import MidiSystem, PortSet, matching_output, outputs
from bridge.errors import DeviceError
from bridge.events import PortLost, PortOpened
from bridge.testing.clock import FakeClock
from bridge.testing.ports import ListPort

PLUGGED_IN = ["Synth", "Through", "USB Pedals A", "USB Pedals B", "Pedals"]


@pytest.mark.parametrize(
    ("name", "index"), [("Synth", 0), ("synth", 0), ("Pedals", 4), ("pedals a", 2), ("USB Pedals B", 3), ("thr", 1)]
)
def test_a_name_means_the_exact_output_else_the_only_one_with_it_in_it(name, index):
    assert matching_output(name, PLUGGED_IN) == index


def test_an_ambiguous_name_lists_the_candidates():
    with pytest.raises(DeviceError, match=r'"usb" matches 2 MIDI outputs: "USB Pedals A", "USB Pedals B"\. Name one'):
        matching_output("usb", PLUGGED_IN)


def test_an_absent_name_lists_what_is_present_and_what_to_do():
    with pytest.raises(
        DeviceError, match=r'"Echo L" matches no MIDI output\. Present now: "Synth", "Through", .*ports'
    ):
        matching_output("Echo L", PLUGGED_IN)
    with pytest.raises(DeviceError, match=r"Present now: none\."):
        matching_output("Echo L", [])


def test_two_outputs_of_the_same_name_are_ambiguous():
    with pytest.raises(DeviceError, match="matches 2"):
        matching_output("Synth", ["Synth", "Synth"])


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
    assert lost == [PortLost(at=100.0, port="Pedals B", why='"Pedals B" matches no MIDI output.')]
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
    """Many systems take bytes for a port that is gone without a word: it is looked for every second."""
    first = studio.plug("Pedals A")
    ports = PortSet(["Pedals A"], studio.open, studio.clock)
    ports.take_facts()
    first.unplugged = True
    del studio.plugged["Pedals A"]
    for _ in range(3):
        studio.clock.advance(1.1)
        ports.tend()
    assert ports.take_facts() == [PortLost(at=101.1, port="Pedals A", why='"Pedals A 20:0" was unplugged')]
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


def test_an_unknown_system_is_refused_with_the_known_ones():
    with pytest.raises(DeviceError, match=r'no MIDI system called "carrier pigeon".*alsa, jack, coremidi, windows'):
        outputs("carrier pigeon")


def test_a_system_that_is_not_there_says_so_and_what_to_do(monkeypatch):
    monkeypatch.setattr(midi.rtmidi, "get_compiled_api", list)
    for api in (None, "alsa"):
        with pytest.raises(DeviceError, match=r"not compiled .*\[midi\] api"):
            outputs(api)


def test_a_system_that_does_not_work_is_a_lost_port_and_not_a_crash(monkeypatch, capfd):
    """As on a machine without MIDI; the libraries' own complaints stay off the terminal."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody-serves-here")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    if rtmidi.API_UNIX_JACK not in rtmidi.get_compiled_api():
        pytest.skip("this python-rtmidi has no JACK")
    ports = PortSet(["Pedals A"], MidiSystem("jack").open, now)
    (lost,) = ports.take_facts()
    assert isinstance(lost, PortLost)
    assert lost.why.startswith('The MIDI system "jack" does not work here (')
    assert not ports.send("Pedals A", b"\xf8")
    ports.close()
    assert "server" not in capfd.readouterr().err


@pytest.mark.jack
def test_on_jack_bytes_arrive_at_a_named_and_from_a_virtual_port(jack_server):
    heard: dict[str, list[bytes]] = {"named": [], "virtual": []}
    pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
    pedal.ignore_types(timing=False)
    pedal.set_callback(lambda event, _: heard["named"].append(bytes(event[0])))
    pedal.open_virtual_port("in")
    other = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "other program")
    other.ignore_types(timing=False)
    other.set_callback(lambda event, _: heard["virtual"].append(bytes(event[0])))
    try:
        assert "pedal box:in" in outputs("jack")
        ports = PortSet(["PEDAL BOX", "Bridge out"], MidiSystem("jack", ["Bridge out"]).open, now)
        facts = ports.take_facts()
        assert [type(fact) for fact in facts] == [PortOpened, PortOpened]
        assert facts[0].found == "pedal box:in"
        sources = other.get_ports()
        other.open_port(next(i for i, name in enumerate(sources) if name.endswith("Bridge out")))
        assert ports.send("PEDAL BOX", b"\xf8")
        assert ports.send("Bridge out", b"\xf8")
        _until(lambda: all(heard.values()))
        assert heard == {"named": [b"\xf8"], "virtual": [b"\xf8"]}
        ports.close()
        _until(lambda: not any(name.endswith("Bridge out") for name in other.get_ports()))
    finally:
        pedal.delete()
        other.delete()


@pytest.mark.jack
def test_on_jack_a_pedal_that_is_pulled_and_comes_back_hears_again(jack_server):
    clock = FakeClock(now())
    pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
    pedal.open_virtual_port("in")
    ports = PortSet(["pedal box"], MidiSystem("jack").open, clock)
    pedal.delete()
    try:
        clock.advance(1.1)
        ports.tend()
        heard: list[bytes] = []
        pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
        pedal.ignore_types(timing=False)
        pedal.set_callback(lambda event, _: heard.append(bytes(event[0])))
        pedal.open_virtual_port("in")
        clock.advance(1.1)
        ports.tend()
        assert [type(fact) for fact in ports.take_facts()] == [PortOpened, PortLost, PortOpened]
        ports.send("pedal box", b"\xf8")
        _until(lambda: heard == [b"\xf8"])
    finally:
        ports.close()
        pedal.delete()


def _until(holds, longest_s=5.0):
    give_up = time.monotonic() + longest_s
    while not holds():
        assert time.monotonic() < give_up, "it did not come to that"
        time.sleep(0.01)
