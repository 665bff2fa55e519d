"""What goes out when a rig with taps and delay times plays, and what arrives at the ends of the cables.

The sender, its listener and the processes of its ports are real. What must be whole and on time is seen on ports that
write down what they are given; on a JACK server a client that has no processor for a moment misses what then comes.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from statistics import median

import mido
import numpy as np
import pytest
from pythonosc.osc_message import OscMessage

from bridge.events import BeatPlaced, Fact, ListenerLost, PedalTold
from bridge.events_sent import DelayTimeTold, TapsDropped, TapsSent
from bridge.journal.codec import read_line
from bridge.journal.recover import recover
from bridge.send.delay_times import EVERY_S, TimePlan, delay_ms
from bridge.send.messages import note_off, note_on
from tests.conftest import JackServer
from tests.strict_midi import Heard, parse
from tests.test_live import make_tape
from tests.toy_conductor import TEMPO
from tests.toy_ports import ToySystem

pytestmark = pytest.mark.timeout(120)

ROOT = Path(__file__).resolve().parents[1]
PLAYED_S = 14.0
KILLED_AFTER_S = 5.0

PRESS, RELEASE = note_on(3, 60), note_off(3, 60)
POINTS = ((100.0, 0.0), (2000.0, 16383.0))

RIG = """
[[decks]]
name = "north"
channels = [1]

[[pedals]]
name = "long echo"
port = "Pedals A"
listens_to = "north"
transport = ["start", "stop"]

[[pedals]]
name = "stutter"
port = "Pedals A"
channel = 5
listens_to = "north"
sync = ["times"]
[pedals.times]
message = "nrpn"
number = 1000
points = [[100, 0], [2000, 16383]]
division = "1/8."

[[pedals]]
name = "short echo"
port = "Pedals B"
channel = 3
listens_to = "north"
sync = ["taps"]
[pedals.taps]
message = "note"
number = 60
every_s = 2
contact_ms = CONTACT

[[pedals]]
name = "loop box"
listens_to = "north"
sync = ["taps", "times"]
[pedals.taps]
message = "osc"
address = "/loop-box/tap"
on = 1
every_s = 2
[pedals.times]
message = "osc"
address = "/loop-box/time"

[midi]
api = "jack"
virtual = ["Pedals A", "Pedals B"]

[osc]
port = OSCPORT
"""


@dataclass
class Cables:
    """A set that plays, and what came at the ends of its cables so far.

    Attributes:
        home: Its folder.
        sender: Its process.
        packets: Host time and bytes of what came over OSC.
    """

    home: Path
    sender: subprocess.Popen[bytes]
    packets: list[tuple[float, bytes]] = field(default_factory=list)

    def sent(self, port: str) -> list[tuple[float, bytes]]:
        """Return host time and bytes of each message that a toy port was given, oldest first."""
        return ToySystem(self.home).sent(port)

    def came(self, port: str) -> list[tuple[float, bytes]]:
        """Return host time and bytes of each message at the end of a JACK cable, oldest first."""
        out = self.home / "stamps.jsonl"
        lines = out.read_text().splitlines() if out.exists() else []
        return [(at, bytes.fromhex(data)) for name, at, data in map(json.loads, lines) if name == port and data]

    def plugged_in(self) -> bool:
        """Return whether both MIDI ports have somebody at their ends."""
        out = self.home / "stamps.jsonl"
        return out.exists() and len(out.read_text().splitlines()) >= 2

    def facts(self) -> list[Fact]:
        """Return what the listeners were told, and what they told."""
        lines = (self.home / "journal.jsonl").read_bytes().splitlines()
        return list(dict.fromkeys(map(read_line, lines)))  # what a killed listener had no time to vouch for comes twice

    def until(self, holds: Callable[[], object], what: str, longest_s: float = 30.0) -> None:
        give_up = time.monotonic() + longest_s
        while not holds():
            assert time.monotonic() < give_up, f"no {what}"
            assert self.sender.poll() is None or longest_s < 30.0, f"the set ended before {what}"
            time.sleep(0.01)


@contextlib.contextmanager
def playing(server: JackServer | None, home: Path, *, contact_ms: int, for_s: float) -> Iterator[Cables]:
    """Play the rig with everything plugged in: on a JACK server, or on toy ports."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver, contextlib.ExitStack() as stack:
        receiver.bind(("127.0.0.1", 0))
        rig = RIG.replace("CONTACT", str(contact_ms)).replace("OSCPORT", str(receiver.getsockname()[1]))
        (home / "rig.toml").write_text(rig)
        env = (server.env if server else os.environ) | {"TAPEBRIDGE_RUNTIME": str(home / "runtime")}
        command = [sys.executable, "-m", "tests.toy_conductor", str(home / "rig.toml"), str(home), str(for_s)]
        sender = subprocess.Popen(command if server else [*command, "toy"], cwd=ROOT, env=env, stdin=subprocess.DEVNULL)
        cables = Cables(home, sender)
        stack.callback(end, sender)
        stack.enter_context(listening(receiver, cables.packets))
        if server:
            stack.enter_context(peer(home, env))
            cables.until(cables.plugged_in, "cable")
        else:
            cables.until(lambda: cables.sent("Pedals B"), "port")
        (home / "go").touch()
        yield cables


def end(sender: subprocess.Popen[bytes]) -> None:
    if sender.poll() is None:
        sender.send_signal(signal.SIGCONT)
        sender.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            sender.wait(15)
        sender.kill()
    sender.wait()


@contextlib.contextmanager
def peer(home: Path, env: dict[str, str]) -> Iterator[None]:
    """Have pedals at the ends of the JACK cables."""
    command = [sys.executable, "-m", "tests.midi_peer", str(home / "stamps.jsonl")]
    process = subprocess.Popen(command, cwd=ROOT, env=env, stdin=subprocess.PIPE)
    try:
        yield
    finally:
        process.stdin.close()
        process.wait(15)


@contextlib.contextmanager
def listening(receiver: socket.socket, packets: list[tuple[float, bytes]]) -> Iterator[None]:
    """Stamp what comes over OSC."""
    over = threading.Event()

    def listen() -> None:
        while not over.is_set():
            if select.select([receiver], [], [], 0.1)[0]:
                packets.append((time.perf_counter(), receiver.recv(1000)))

    thread = threading.Thread(target=listen)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


@pytest.fixture(scope="module")
def cables(tmp_path_factory) -> Cables:
    """Play the rig on toy ports for some seconds, kill -9 of the listener on the way."""
    home = tmp_path_factory.mktemp("cables")
    with playing(None, home, contact_ms=40, for_s=PLAYED_S) as cables:
        time.sleep(KILLED_AFTER_S)
        os.kill(int((home / "listener-1.pid").read_text()), signal.SIGKILL)
        assert cables.sender.wait(PLAYED_S + 20) == 0
    return cables


def heard(came: list[tuple[float, bytes]]) -> list[tuple[float, Heard]]:
    """Return the messages of a cable as the strict parser reads them, with nothing between that is none."""
    messages = [(at, one) for at, data in came for one in parse(data)]
    assert parse(b"".join(data for _, data in came)) == [one for _, one in messages]
    return messages


def test_start_comes_before_the_first_clock_and_stop_behind_the_last(cables):
    """1 ms at least from Start to the next clock: MIDI 1.0 Detailed Specification. What is late waits for a beat."""
    real_time = [(at, one.kind) for at, one in heard(cables.sent("Pedals A")) if one.kind != "control"]
    kinds = [kind for _, kind in real_time]
    first = kinds.index("start")
    assert first <= 72
    assert kinds[-1] == "stop"
    assert set(kinds) - {"clock"} == {"start", "stop"}
    assert real_time[first + 1][0] - real_time[first][0] >= 0.001


def test_each_delay_time_comes_whole_in_the_order_of_the_standard_and_20_ms_apart(cables):
    controls = [(at, one) for at, one in heard(cables.sent("Pedals A")) if one.kind == "control"]
    groups = [controls[n : n + 4] for n in range(0, len(controls), 4)]
    assert len(groups) >= 20
    for group in groups:
        assert [one.data[0] for _, one in group] == [99, 98, 6, 38]
        assert {one.channel for _, one in group} == {5}
    begins = [group[0][0] for group in groups]
    assert min(after - before for before, after in pairwise(begins)) >= EVERY_S - 0.003


def test_the_last_delay_time_is_that_of_the_last_tempo(cables):
    parser = mido.Parser()
    parser.feed(b"".join(data for _, data in cables.sent("Pedals A")))
    values = [message.value for message in parser if message.type == "control_change"]
    told = [fact for fact in cables.facts() if isinstance(fact, PedalTold) and fact.pedal == "stutter"]
    plan = TimePlan(pedal="stutter", message="nrpn", number=1000, channel=5, points=POINTS, limits_ms=(20, 2000))
    assert values[-2] << 7 | values[-1] == round(plan.value_at(delay_ms(told[-1].tempo, 0.75)))


def bursts(presses: list[float]) -> list[list[float]]:
    """Return taps in bursts: within one, they are less than 1.5 s apart."""
    found: list[list[float]] = []
    for at in presses:
        if found and at - found[-1][-1] < 1.5:
            found[-1].append(at)
        else:
            found.append([at])
    return found


def whole_bursts(presses: list[float], facts: list[Fact], pedal: str) -> list[list[float]]:
    """Return the bursts of four but the last; one of fewer was cut by a stall, and the journal says so."""
    found = bursts(presses)[:-1]
    cut = Counter(fact.sent for fact in facts if isinstance(fact, TapsDropped) and fact.pedal == pedal)
    assert Counter(len(burst) for burst in found if len(burst) != 4) <= cut
    return [burst for burst in found if len(burst) == 4]


def off_beat_s(at: float, facts: list[Fact], pedal: str) -> float:
    """Return how far an instant is from the nearest beat of the newest order before it, in seconds."""
    order = [fact for fact in facts if isinstance(fact, PedalTold) and fact.pedal == pedal and fact.at < at][-1]
    beats = order.beats + (at - order.at) * order.tempo / 60
    return (beats - round(beats)) * 60 / order.tempo


def test_taps_come_in_bursts_of_four_with_the_last_one_on_the_beat(cables):
    """Within 3 ms of it. The bursts go on while the listener is killed and started again."""
    contacts = cables.sent("Pedals B")
    presses = [at for at, data in contacts if data == PRESS]
    whole = whole_bursts(presses, cables.facts(), "short echo")
    assert len(whole) >= 2
    for burst in whole:
        assert -0.0005 <= off_beat_s(burst[-1], cables.facts(), "short echo") <= 0.003
    for before, after in pairwise(bursts(presses)):
        assert after[0] - before[-1] >= 2.0 - 0.01


def test_contacts_begin_and_end_open_and_each_tap_closes_them_for_200_ms_at_most(cables):
    contacts = cables.sent("Pedals B")
    assert {data for _, data in contacts} == {PRESS, RELEASE}
    assert (contacts[0][1], contacts[-1][1]) == (RELEASE, RELEASE)
    for (at, data), (after, what) in pairwise(contacts):
        if data == PRESS:
            assert what == RELEASE
            assert after - at <= 0.2
            assert after - at > 0.03 or after == contacts[-1][0]  # the end of the set opens it at once


def test_osc_carries_taps_and_times_too(cables):
    """Read by a library of others."""
    packets = [(at, OscMessage(data)) for at, data in cables.packets]
    taps = [(at, packet.params) for at, packet in packets if packet.address == "/loop-box/tap"]
    assert taps[0][1] == [0]
    assert whole_bursts([at for at, params in taps if params == [1]], cables.facts(), "loop box")
    told = [fact for fact in cables.facts() if isinstance(fact, PedalTold) and fact.pedal == "loop box"]
    times = [packet.params[0] for _, packet in packets if packet.address == "/loop-box/time"]
    assert times[0] == pytest.approx(60_000 / told[0].tempo, rel=1e-6)
    assert times[-1] == pytest.approx(60_000 / told[-1].tempo, rel=1e-6)


def test_bursts_and_times_are_told_to_the_journal(cables):
    facts = cables.facts()
    assert any(isinstance(fact, ListenerLost) for fact in facts)
    taps = [fact for fact in facts if isinstance(fact, TapsSent) and fact.pedal == "short echo"]
    found = bursts([at for at, data in cables.sent("Pedals B") if data == PRESS])
    whole = [len(burst) for burst in found if len(burst) == 4]
    assert [fact.count for fact in taps] in (whole, whole[:-1])  # one may end after its listener
    times = [fact.at for fact in facts if isinstance(fact, DelayTimeTold) and fact.pedal == "stutter"]
    assert len(times) >= 5
    assert len(times) <= times[-1] - times[0] + 2  # they drift, and are written down once a second


@pytest.mark.jack
def test_a_contact_opens_by_itself_when_the_sender_is_killed_or_stands_still(jack_daemon, tmp_path):
    """First it is stopped with the contact closed, for 2 s, then killed with it closed."""
    with playing(jack_daemon, tmp_path, contact_ms=200, for_s=60.0) as cables:

        def closed() -> bool:
            contacts = cables.came("Pedals B")
            return bool(contacts) and contacts[-1][1] == PRESS

        cables.until(closed, "tap")
        cables.sender.send_signal(signal.SIGSTOP)
        stopped_at = time.perf_counter()
        time.sleep(2.0)
        still = cables.came("Pedals B")
        cables.sender.send_signal(signal.SIGCONT)
        assert still[-1][1] == RELEASE
        assert still[-1][0] - still[-2][0] < 0.25
        cables.until(lambda: closed() and cables.came("Pedals B")[-1][0] > stopped_at + 2.0, "tap after the stop")
        cables.sender.kill()
        cables.until(lambda: not closed(), "release", longest_s=5.0)
        assert cables.came("Pedals B")[-1][1] == RELEASE


@pytest.mark.jack
def test_taps_times_and_clock_arrive_through_jack(jack_daemon, tmp_path):
    """Through RtMidi's JACK backend, which sends as a period begins, and to another client in the next."""
    with playing(jack_daemon, tmp_path, contact_ms=40, for_s=8.0) as cables:
        assert cables.sender.wait(30) == 0
        time.sleep(0.2)
        clock, taps = cables.came("Pedals A"), cables.came("Pedals B")
    real_time = heard([(at, data) for at, data in clock if data[0] >= 0xF8])
    ticks = [at for at, one in real_time if one.kind == "clock"]
    assert "start" in {one.kind for _, one in real_time[:60]}
    assert len(ticks) > 0.5 * (ticks[-1] - ticks[0]) * TEMPO * 24 / 60  # a busy machine loses some on the way
    values = [data for _, data in clock if data[:2] == bytes((0xB4, 38))]
    assert len(values) >= 10
    off_s = [off_beat_s(at, cables.facts(), "short echo") for at, data in taps if data == PRESS]
    assert len(off_s) >= 4
    assert -0.0005 <= median(off_s) <= 0.003 + 2 * jack_daemon.period / jack_daemon.rate


LIVE_RIG = """
[[decks]]
name = "north"
channels = [1]
tempo_range = [60, 130]

[[pedals]]
name = "long echo"
port = "Pedals A"
listens_to = "north"

[[pedals]]
name = "short echo"
port = "Pedals A"
channel = 3
listens_to = "north"
sync = ["taps", "times"]
[pedals.taps]
message = "note"
number = 60
every_s = 4
[pedals.times]
message = "cc14"
number = 20
points = [[100, 0], [2000, 16383]]
division = "1/8"

[midi]
api = "jack"
virtual = ["Pedals A"]

[take]
folder = "takes"
"""


PLAY = """
import sys
from pathlib import Path
from bridge.edge.host_clock import now
from bridge.live import play
from bridge.rig_text import parse_rig
text = Path("rig.toml").read_text()
play(parse_rig(text, "rig.toml"), text, "a test", for_s=float(sys.argv[1]), tape=(Path("tape.wav"), now() + 4.0))
"""


@pytest.mark.jack
def test_a_pedal_is_tapped_on_the_beats_of_a_tape_and_told_its_delay_time(jack_daemon, tmp_path):
    """The whole chain but the sound card: drums at 96 bpm into the engine, the sender, RtMidi, JACK."""
    make_tape(tmp_path / "tape.wav")
    (tmp_path / "rig.toml").write_text(LIVE_RIG)
    env = jack_daemon.env | {"TAPEBRIDGE_RUNTIME": str(tmp_path / "runtime"), "PYTHONPATH": str(ROOT)}
    play = [sys.executable, "-c", PLAY, "24"]
    bridge = subprocess.Popen(play, cwd=tmp_path, env=env, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    cables = Cables(tmp_path, bridge)
    with contextlib.ExitStack() as stack:
        stack.callback(end, bridge)
        stack.enter_context(peer(tmp_path, env))
        assert bridge.wait(80) == 0
    [journal] = (tmp_path / "takes").glob("*/journal.jsonl")
    facts = recover(journal.read_bytes()).facts
    beats = np.array([fact.at for fact in facts if isinstance(fact, BeatPlaced)])
    taps = np.array([at for at, data in cables.came("Pedals A") if data == PRESS])
    assert len(taps) >= 3
    assert any(isinstance(fact, TapsSent) and abs(fact.tempo / 96.0 - 1.0) < 0.02 for fact in facts)
    off_s = taps - beats[np.abs(taps[:, None] - beats).argmin(axis=1)]
    assert abs(np.median(off_s)) < 0.015
    coarse, fine = (
        [data[2] for _, data in cables.came("Pedals A") if data[:2] == bytes((0xB2, number))] for number in (20, 52)
    )
    told = [fact.delay_ms for fact in facts if isinstance(fact, DelayTimeTold)]
    assert told[-1] == pytest.approx(312.5, rel=0.01)  # an eighth at 96 bpm
    assert coarse[-1] << 7 | fine[-1] == pytest.approx((told[-1] - 100) / 1900 * 16383, abs=30)
