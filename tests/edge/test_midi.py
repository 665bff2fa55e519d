"""Promises of the MIDI outputs."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import rtmidi

from bridge.edge import midi
from bridge.edge.host_clock import now
from bridge.edge.midi import MidiSystem, end_client, matching_output, outputs, split
from bridge.edge.plugged import Place
from bridge.edge.port_set import PortSet
from bridge.errors import DeviceError
from bridge.events import PortLost, PortOpened
from bridge.testing.clock import FakeClock
from tests.conftest import running_jack_server

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


SOCKETS = {"Pedals 20:0": Place("1-2", "FERRY-7"), "Pedals 24:0": Place("1-3", "FERRY-8"), "Synth": Place()}


@pytest.mark.parametrize(("name", "index"), [("1-3", 1), ("FERRY-7", 0), ("Pedals #2", 1), ("Synth #1", 2)])
def test_identical_interfaces_are_told_apart_by_path_serial_or_order(name, index):
    assert matching_output(name, list(SOCKETS), SOCKETS.__getitem__) == index


def test_identical_interfaces_are_refused_with_what_tells_them_apart():
    with pytest.raises(DeviceError) as refusal:
        matching_output("Pedals", list(SOCKETS), SOCKETS.__getitem__)
    said = str(refusal.value)
    assert '"Pedals 20:0" (path 1-2, serial FERRY-7), "Pedals 24:0" (path 1-3, serial FERRY-8)' in said
    assert 'tapebridge ports --blink "Pedals"' in said
    for name in ("1-", "Pedals #3", "Pedals #0", "kettle #1"):
        with pytest.raises(DeviceError, match="matches no MIDI output"):
            matching_output(name, list(SOCKETS), SOCKETS.__getitem__)


def test_a_group_of_messages_is_taken_apart():
    group = [b"\xb0\x63\x01", b"\xc2\x05", b"\xf8", b"\xf0\x7d\x00\xf7", b"\xf2\x00\x10", b"\xe1\x00\x40", b"\xfa"]
    assert list(split(b"".join(group))) == group
    assert list(split(b"")) == []


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
    system = MidiSystem("jack")
    ports = PortSet(["Pedals A"], system.open, now)
    (lost,) = ports.take_facts()
    assert isinstance(lost, PortLost)
    assert lost.why.startswith('not ready: The MIDI system "jack" does not work here (')
    assert not ports.send("Pedals A", b"\xf8")
    ports.close()
    system.close()
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
    system = MidiSystem("jack", ["Bridge out"])
    try:
        assert "pedal box:in" in outputs("jack")
        ports = PortSet(["PEDAL BOX", "Bridge out"], system.open, now)
        facts = ports.take_facts()
        assert [type(fact) for fact in facts] == [PortOpened, PortOpened]
        assert facts[0].found == "pedal box:in"
        sources = other.get_ports()
        other.open_port(next(i for i, name in enumerate(sources) if name.endswith("Bridge out")))
        _until(lambda: _sent(ports, "PEDAL BOX", "Bridge out") and all(heard.values()))
        assert [set(came) for came in heard.values()] == [{b"\xf8"}] * 2
        ports.close()
        _until(lambda: not any(name.endswith("Bridge out") for name in other.get_ports()))
    finally:
        system.close()
        end_client(pedal)
        end_client(other)


@pytest.mark.jack
def test_on_jack_what_is_sent_just_before_a_port_closes_arrives(jack_server):
    """The release of a contact is the last that a port sends."""
    pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
    pedal.open_virtual_port("in")
    system = MidiSystem("jack")
    try:
        for _ in range(5):
            port = system.open("pedal box")
            assert port.present()  # at once, though JACK connects it only with one of its next turns:
            time.sleep(0.05)
            port.send(b"\x80\x3c\x00")
            port.close()
            _until(lambda: pedal.get_message() is not None)
    finally:
        system.close()
        end_client(pedal)


@pytest.mark.jack
def test_on_jack_a_pedal_that_is_pulled_and_comes_back_hears_again(jack_server):
    clock = FakeClock(now())
    pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
    pedal.open_virtual_port("in")
    system = MidiSystem("jack")
    ports = PortSet(["pedal box"], system.open, clock)
    end_client(pedal)
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
        _until(lambda: _sent(ports, "pedal box") and heard)
        assert set(heard) == {b"\xf8"}
    finally:
        ports.close()
        system.close()
        end_client(pedal)


@pytest.mark.jack
def test_on_jack_a_pedal_that_went_and_came_back_between_two_looks_hears_again(jack_server):
    """Its name was never missing when it was looked for, but the connection died with the old port."""
    clock = FakeClock(now())
    pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
    pedal.open_virtual_port("in")
    system = MidiSystem("jack")
    ports = PortSet(["pedal box"], system.open, clock)
    try:
        time.sleep(0.25)  # as between two looks: JACK shows a new connection with one of its next turns
        clock.advance(0.3)
        ports.tend()
        assert [type(fact) for fact in ports.take_facts()] == [PortOpened]
        end_client(pedal)
        heard: list[bytes] = []
        pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
        pedal.ignore_types(timing=False)
        pedal.set_callback(lambda event, _: heard.append(bytes(event[0])))
        pedal.open_virtual_port("in")
        assert outputs("jack") == ["pedal box:in"]
        clock.advance(0.3)
        ports.tend()
        lost, _ = ports.take_facts()
        assert lost.why == '"pedal box:in" was unplugged, or its connection was lost'
        _until(lambda: _sent(ports, "pedal box") and heard)
        assert set(heard) == {b"\xf8"}
    finally:
        ports.close()
        system.close()
        end_client(pedal)


def lose_the_server(folder: str) -> None:
    """Kill the JACK server under two ports, send on, start it again; print as JSON what was told. Ends the process."""
    os.environ |= {"JACK_DEFAULT_SERVER": f"bridge-lost-{os.getpid()}", "JACK_NO_START_SERVER": "1"}
    name, log = os.environ["JACK_DEFAULT_SERVER"], Path(folder) / "jackd.log"
    system = MidiSystem("jack", ["Bridge out"])
    names = ["pedal box", "Bridge out"]
    with running_jack_server(name, log) as server, _pedal_process() as pedal:
        ports = PortSet(names, system.open, now)
        os.kill(server.pid, signal.SIGKILL)
        _until(lambda: not ports.send("pedal box", b"\xf8"))
        time.sleep(0.3)
        ports.tend()  # finds the other one
        # RtMidi's queue holds 16384 bytes, 5 for a tick: with nobody to empty it, the sending that fills it never ends
        taken = sum(ports.send(port, b"\xf8") for port in names for _ in range(4000))
        pedal.kill()
    ports.tend()
    with running_jack_server(name, log), _pedal_process() as pedal:
        _until(lambda: ports.tend() or sum(ports.send(port, b"\xf8") for port in names) == 2)
        heard = pedal.stdout.read(1).decode()
        pedal.kill()
        ports.close()
        system.close()
    told = [[type(fact).__name__, fact.port, getattr(fact, "why", "")] for fact in ports.take_facts()]
    sys.stdout.write(json.dumps({"taken": taken, "heard": heard, "told": told}))
    sys.stdout.flush()
    os._exit(0)


def stall_the_server(folder: str) -> None:
    """Make the JACK server stand still under a port, send on, let it go on; print what was told. Ends the process."""
    os.environ |= {"JACK_DEFAULT_SERVER": f"bridge-stalled-{os.getpid()}", "JACK_NO_START_SERVER": "1"}
    system = MidiSystem("jack", ["Bridge out"])
    with running_jack_server(os.environ["JACK_DEFAULT_SERVER"], Path(folder) / "jackd.log") as server:
        ports = PortSet(["Bridge out"], system.open, now)
        os.kill(server.pid, signal.SIGSTOP)
        time.sleep(0.1)
        taken = 0
        for _ in range(40):
            taken += ports.send("Bridge out", b"\xf8")
            time.sleep(0.02)  # as a clock at 125 bpm
        os.kill(server.pid, signal.SIGCONT)
        time.sleep(0.1)
        assert ports.send("Bridge out", b"\xf8")
        ports.close()
        system.close()
    told = [[type(fact).__name__, getattr(fact, "why", "")] for fact in ports.take_facts()]
    sys.stdout.write(json.dumps({"taken": taken, "told": told}))
    sys.stdout.flush()
    os._exit(0)


PEDAL = """
import rtmidi, time
pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
pedal.ignore_types(timing=False)
pedal.open_virtual_port("in")
print("ready", flush=True)
while pedal.get_message() is None:
    time.sleep(0.01)
print("heard", flush=True)
time.sleep(60)
"""


def _pedal_process() -> subprocess.Popen[bytes]:
    pedal = subprocess.Popen([sys.executable, "-c", PEDAL], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert pedal.stdout.readline() == b"ready\n"
    return pedal


@pytest.mark.jack
def test_when_the_jack_server_ends_sending_goes_on_and_its_ports_come_back_with_the_next(tmp_path):
    """Each is told once as lost; the libraries' complaints stay off the terminal."""
    code = f"from tests.edge.test_midi import lose_the_server; lose_the_server({str(tmp_path)!r})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=40)
    assert done.returncode == 0, done.stderr
    outcome = json.loads(done.stdout)
    assert (outcome["taken"], outcome["heard"]) == (0, "h")
    told = outcome["told"]
    assert [fact for fact, _, _ in told] == ["PortOpened"] * 2 + ["PortLost"] * 2 + ["PortOpened"] * 2
    assert {why for _, _, why in told[2:4]} <= {"the JACK server ended", "the JACK server stands still"}
    assert done.stderr == ""


@pytest.mark.jack
def test_while_the_jack_server_stands_still_sending_waits_for_nothing(tmp_path):
    """And when it goes on, no burst comes out: it was sent nothing once its turn lasted too long."""
    code = f"from tests.edge.test_midi import stall_the_server; stall_the_server({str(tmp_path)!r})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=40)
    assert done.returncode == 0, done.stderr
    outcome = json.loads(done.stdout)
    assert outcome["taken"] <= 2
    assert outcome["told"] == [
        ["PortOpened", ""],
        ["PortLost", "the JACK server stands still"],
        ["PortOpened", ""],
    ]


def _sent(ports: PortSet, *names: str) -> bool:
    """Send a tick to each port; again and again, since JACK carries nothing before a connection's next turns."""
    time.sleep(0.03)
    return all([ports.send(name, b"\xf8") for name in names])  # noqa: C419 - to all of them


def _until(holds, longest_s=5.0):
    give_up = time.monotonic() + longest_s
    while not holds():
        assert time.monotonic() < give_up, "it did not come to that"
        time.sleep(0.01)
