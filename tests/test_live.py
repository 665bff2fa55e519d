"""The whole chain with real parts: sound through PortAudio and JACK in, MIDI through RtMidi and JACK out."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from bridge.events import (
    BeatPlaced,
    Fact,
    ListenerLost,
    ListenerStarted,
    MarkPlaced,
    PortOpened,
    SoundLost,
    TakeEnded,
    TakeStarted,
    TicksDropped,
)
from bridge.journal.recover import recover
from bridge.testing.clips import drum_loop
from bridge.testing.tape import Move, TapeMachine

if sys.platform == "linux":
    import pty
    import termios

pytestmark = pytest.mark.timeout(180)

TEMPO = 96.0
PLAYED_S = 45.0

STALLED_BEFORE_S, STALLED_AFTER_S = 0.05, 0.01
"""How far round a stall of the JACK server its stamps are not believed."""

RIG = """
[sound]
device = "system"
rate = 48000
block = 128

[[decks]]
name = "north"
channels = [1]
tempo_range = [60, 130]

[[pedals]]
name = "long echo"
port = "Pedals A"
listens_to = "north"

[midi]
api = "jack"
virtual = ["Pedals A"]

[take]
name = "ferry night"
folder = "takes"
"""


@dataclass
class Live:
    """A set that ran: what the pedal saw, what the take holds, how the program ended."""

    ticks_s: NDArray[np.float64]
    stalls_s: NDArray[np.float64]
    others: list[str]
    facts: tuple[Fact, ...]
    take: Path
    status: int
    output: str


def processes_of(session: int) -> list[str]:
    """Return the command lines of all processes of a session that still run."""
    left = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            state, _, _, owner = stat.read_text().rpartition(")")[2].split()[:4]
            if int(owner) == session and state != "Z":
                left.append(stat.with_name("cmdline").read_text())
    return left


def pids_left(pids: list[int]) -> list[int]:
    """Return which of these processes still exist."""
    return [pid for pid in pids if Path(f"/proc/{pid}").exists()]


def make_tape(path: Path) -> None:
    """Write a tape of drums at 96 bpm with wow and flutter."""
    machine = TapeMachine()
    rng = np.random.default_rng(5)
    speed = machine.speed(PLAYED_S, (Move(time_s=0.5, speed=1.0),), rng)
    drums = machine.play(drum_loop("gravel-path", name="gravel path", tempo=TEMPO), speed)
    soundfile.write(path, drums.sound + machine.hiss(speed, rng), machine.rate, subtype="FLOAT")


def last(kind: type[Fact], take: Path) -> Fact | None:
    """Return the newest fact of a kind that a running take holds."""
    facts = recover((take / "journal.jsonl").read_bytes()).facts
    return next((fact for fact in reversed(facts) if isinstance(fact, kind)), None)


def wait_for(found, what: str, seconds: float = 40.0):
    """Return what a question finds, asked until it finds something."""
    give_up = time.monotonic() + seconds
    while time.monotonic() < give_up:
        if (answer := found()) is not None:
            return answer
        time.sleep(0.1)
    raise AssertionError(f"no {what} within {seconds:g} s")


@pytest.fixture(scope="module")
def live(jack_daemon, tmp_path_factory) -> Live:
    """Play 45 s live, in periods of 5.3 ms: drums in, kill -9 of the listener half-way, a mark, SIGTERM at the end."""
    home = tmp_path_factory.mktemp("live")
    (home / "rig.toml").write_text(RIG)
    make_tape(home / "tape.wav")
    env = jack_daemon.env | {"TAPEBRIDGE_RUNTIME": str(home / "runtime")}
    command = [sys.executable, "-m", "bridge"]
    root = Path(__file__).parent.parent
    env["PYTHONPATH"] = str(root)
    bridge = subprocess.Popen(
        [*command, "run", "rig.toml"],
        cwd=home,
        env=env,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    peer_command = [sys.executable, "-m", "tests.jack_peer", str(home / "tape.wav"), str(PLAYED_S), str(home / "out")]
    peer = subprocess.Popen(peer_command, cwd=root, env=env, stdin=subprocess.DEVNULL)
    pids = [bridge.pid, peer.pid]
    try:
        take = wait_for(lambda: next((home / "takes").glob("*/journal.jsonl"), None), "take").parent
        wait_for(lambda: last(BeatPlaced, take), "beat")
        time.sleep(6.0)
        first = last(ListenerStarted, take)
        os.kill(first.pid, signal.SIGKILL)
        again = wait_for(lambda: s if (s := last(ListenerStarted, take)).start == 2 else None, "second listener")
        pids += [first.pid, again.pid]
        subprocess.run([*command, "mark", "the ferry answers"], cwd=home, env=env, check=True, timeout=20)
        peer.wait(timeout=60)
        bridge.terminate()
        output, _ = bridge.communicate(timeout=30)
    finally:
        for process in (peer, bridge):
            if process.poll() is None:
                process.kill()
                process.wait()
    seen = json.loads((home / "out").read_text())
    ticks = [frame / seen["rate"] for frame, data in seen["stamps"] if data == "f8"]
    others = [data for _, data in seen["stamps"] if data != "f8"]
    facts = recover((take / "journal.jsonl").read_bytes()).facts
    assert pids_left(pids) == []
    stalls = [frame / seen["rate"] for frame in seen["stalls"]]
    return Live(np.array(ticks), np.array(stalls), others, facts, take, bridge.returncode, output)


@pytest.mark.jack
def test_the_clock_runs_at_the_tapes_tempo(live):
    """96 bpm on the tape, wow and flutter of 0.2 %: the clock is within one per cent of it over ten seconds.

    The JACK server of a busy machine loses frames of the sound meanwhile, and a tick here and there: ticks are counted
    by the time between them.
    """
    ticks = live.ticks_s[live.ticks_s > live.ticks_s[-1] - 10.0]
    count = np.sum(np.round(np.diff(ticks) * TEMPO / 2.5))
    assert 2.5 * count / (ticks[-1] - ticks[0]) == pytest.approx(TEMPO, rel=0.01)


@pytest.mark.jack
def test_no_tick_comes_in_a_burst_and_none_is_missing(live):
    """Whatever happened meanwhile, kill -9 of the listener included: 2500 / 96 = 26.04 ms from tick to tick.

    Left out are intervals in which the JACK server itself stood still, since it stamps late ticks with one frame; one
    in twenty may be off because the thread in which RtMidi serves JACK had no processor.
    """
    begins, ends = live.ticks_s[:-1], live.ticks_s[1:]
    stalled = np.zeros(len(begins), bool)
    for at in live.stalls_s:
        stalled |= (begins - STALLED_BEFORE_S < at) & (at < ends + STALLED_AFTER_S)
    assert np.mean(stalled) < 0.5, "the machine is too busy to judge a clock"
    intervals = (ends - begins)[~stalled] * TEMPO / 2.5
    assert np.mean((intervals > 0.5) & (intervals < 1.5)) > 0.95
    assert intervals.max() < 5.0


@pytest.mark.jack
def test_the_clock_never_stops_through_the_loss_of_its_listener(live):
    """From the first tick to the last, as many as the time holds: the sender left out hardly any, JACK lost few."""
    wanted = (live.ticks_s[-1] - live.ticks_s[0]) * TEMPO / 2.5
    assert len(live.ticks_s) - 1 == pytest.approx(wanted, rel=0.1)
    assert sum(fact.count for fact in live.facts if isinstance(fact, TicksDropped)) < 0.02 * wanted


@pytest.mark.jack
def test_nothing_but_clock_is_sent(live):
    assert live.others == []


@pytest.mark.jack
def test_nothing_is_sent_before_a_beat_was_found(live):
    """The tape begins half a second in, and no follower can be sure within two seconds of that."""
    assert live.ticks_s[0] > 2.5
    assert len(live.ticks_s) > 20 / (2.5 / TEMPO)


@pytest.mark.jack
def test_the_journal_says_that_the_listener_was_lost_and_came_back(live):
    [lost] = [fact for fact in live.facts if isinstance(fact, ListenerLost)]
    starts = [fact for fact in live.facts if isinstance(fact, ListenerStarted)]
    assert [start.start for start in starts] == [1, 2]
    assert lost.pid == starts[0].pid
    assert any(isinstance(fact, BeatPlaced) and fact.at > starts[1].at for fact in live.facts)


@pytest.mark.jack
def test_a_mark_from_another_terminal_lands_in_the_take(live):
    assert [fact.text for fact in live.facts if isinstance(fact, MarkPlaced)] == ["the ferry answers"]


@pytest.mark.jack
def test_the_set_ends_in_order(live):
    assert live.status == 0, live.output
    assert isinstance(live.facts[-1], TakeEnded)
    assert (live.take / "review.html").stat().st_size > 10_000
    assert (live.take / "tempo.csv").exists()
    assert (live.take / "rig.toml").read_text() == RIG


@pytest.mark.jack
def test_the_sound_is_kept_from_each_start(live):
    """Segments follow each other without overlap; what the device lost is no part of them, and little."""
    for start in (1, 2):
        segments = sorted(live.take.glob(f"sound-{start:03}-*.flac"))
        kept, end = 0, 0
        for segment in segments:
            assert int(segment.stem.split("-")[2]) >= end
            try:
                frames = soundfile.info(segment).frames
            except soundfile.LibsndfileError:
                assert start == 1  # torn by kill -9
                frames = 0
            kept, end = kept + frames, int(segment.stem.split("-")[2]) + frames
        assert segments
        if start == 2:
            assert kept > 0.9 * end > 10 * 48_000


@dataclass
class Terminal:
    """What a set prints on.

    Attributes:
        output: A descriptor, or None for no standard output at all.
        env: What the environment has besides.
        status: What the set exits with.
    """

    output: int | None
    env: dict[str, str]
    status: int


@contextlib.contextmanager
def terminals() -> Iterator[dict[str, Terminal]]:
    """Every terminal that once ended or hung a listener."""
    master, stopped = pty.openpty()
    reader, pipe = os.pipe()
    os.close(reader)
    full = os.open("/dev/full", os.O_WRONLY)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        termios.tcflow(stopped, termios.TCOOFF)  # as Ctrl-S does
        yield {
            "stopped": Terminal(stopped, {}, 0),
            "closed pipe": Terminal(pipe, {}, 1),
            "full disk": Terminal(full, {}, 1),
            "ASCII": Terminal(nowhere, {"PYTHONIOENCODING": "ascii"}, 0),
            "none": Terminal(None, {}, 0),
        }
    finally:
        for descriptor in (master, stopped, pipe, full, nowhere):
            os.close(descriptor)


@pytest.mark.skipif(sys.platform != "linux", reason="pty and /dev/full")
def test_a_set_goes_on_whatever_its_terminal_does(tmp_path):
    """Stopped for longer than a listener may be silent, a closed pipe, a full disk, ASCII, none: one listener each."""
    with terminals() as all_of_them, contextlib.ExitStack() as stack:
        running = {}
        for name, terminal in all_of_them.items():
            home = tmp_path / name
            home.mkdir()
            errors = stack.enter_context((home / "errors").open("wb"))
            running[name] = start(home, terminal, errors)
            stack.callback(running[name].kill)
        for name in running:
            take = wait_for(lambda name=name: next((tmp_path / name / "takes").glob("*/journal.jsonl"), None), "take")
            wait_for(lambda take=take: last(SoundLost, take.parent), "word about the absent device")
        time.sleep(5.0)
        for bridge in running.values():
            bridge.terminate()
        wait_for(lambda: ended(tmp_path / "stopped"), "end of the set on a stopped terminal", 10.0)
        termios.tcflow(all_of_them["stopped"].output, termios.TCOON)  # its last line waits for Ctrl-Q
        for name, bridge in running.items():
            assert bridge.wait(timeout=20) == all_of_them[name].status, name
            assert "Traceback" not in (tmp_path / name / "errors").read_text(), name
            facts = ended(tmp_path / name)
            assert facts, name
            assert not any(isinstance(fact, ListenerLost) for fact in facts), name


def start(home: Path, terminal: Terminal, errors: IO[bytes]) -> subprocess.Popen[bytes]:
    """Start a set on a rig with hard letters, whose gear is absent."""
    rig = RIG.replace('device = "system"', 'device = "no such interface"').replace("north", "norð [/a]")
    (home / "rig.toml").write_text(rig, encoding="utf-8")
    command = [sys.executable, "-m", "bridge", "run", "rig.toml"]
    if terminal.output is None:
        command = ["sh", "-c", 'exec "$@" >&-', "sh", *command]
    return subprocess.Popen(
        command,
        cwd=home,
        env=without_gear(home) | terminal.env,
        stdin=subprocess.DEVNULL,
        stdout=terminal.output,
        stderr=errors,
    )


def ended(home: Path) -> tuple[Fact, ...] | None:
    """Return the facts of the take in a folder once it has ended in order and has its review."""
    [take] = (home / "takes").iterdir()
    facts = recover((take / "journal.jsonl").read_bytes()).facts
    return facts if isinstance(facts[-1], TakeEnded) and (take / "review.html").exists() else None


def without_gear(home: Path) -> dict[str, str]:
    """Return the environment of a set that finds no JACK server, and no other set."""
    return os.environ | {
        "TAPEBRIDGE_RUNTIME": str(home / "runtime"),
        "JACK_DEFAULT_SERVER": "none",
        "JACK_NO_START_SERVER": "1",
    }


def start_without_gear(home: Path, *more: str) -> tuple[subprocess.Popen[str], Path, dict[str, str]]:
    """Start a set on a rig whose gear is absent, and return it once its take is begun."""
    (home / "rig.toml").write_text(RIG.replace('device = "system"', 'device = "no such interface"'))
    env = without_gear(home)
    bridge = subprocess.Popen(
        [sys.executable, "-m", "bridge", "run", "rig.toml", *more],
        cwd=home, env=env, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        start_new_session=True,
    )  # fmt: skip
    try:
        take = wait_for(lambda: next((home / "takes").glob("*/journal.jsonl"), None), "take").parent
        wait_for(lambda: last(SoundLost, take), "word about the absent device")
    except BaseException:
        bridge.kill()
        raise
    return bridge, take, env


@pytest.mark.parametrize(
    ("how", "why"),
    [("Ctrl-C", "Ctrl-C"), ("SIGTERM", "SIGTERM"), ("end", "tapebridge end"), ("for", "its 3 s were over")],
)
def test_a_set_starts_without_its_gear_and_ends_in_order_however_it_is_ended(tmp_path, how, why):
    bridge, take, env = start_without_gear(tmp_path, *(["--for", "3"] if how == "for" else []))
    try:
        if how == "Ctrl-C":
            os.killpg(bridge.pid, signal.SIGINT)  # as a terminal does: to every process of the set
        elif how == "SIGTERM":
            bridge.terminate()
        elif how == "end":
            command = [sys.executable, "-m", "bridge", "end"]
            subprocess.run(command, cwd=tmp_path, env=env, check=True, timeout=20)
        output, _ = bridge.communicate(timeout=20)
    finally:
        if bridge.poll() is None:
            bridge.kill()
            bridge.wait()
    assert bridge.returncode == 0, output
    assert "Traceback" not in output
    assert "no such interface" in output
    facts = recover((take / "journal.jsonl").read_bytes()).facts
    assert isinstance(facts[0], TakeStarted)
    assert facts[-1].why == why
    assert (take / "review.html").exists()
    wait_for(lambda: True if processes_of(bridge.pid) == [] else None, "end of every process", 5.0)


def test_a_second_set_is_refused_with_the_first_ones_process(tmp_path):
    bridge, _, env = start_without_gear(tmp_path)
    try:
        command = [sys.executable, "-m", "bridge", "run", "rig.toml", "--for", "1"]
        second = subprocess.run(command, cwd=tmp_path, env=env, capture_output=True, text=True, timeout=30)
        assert second.returncode == 1
        assert f"process {bridge.pid}" in second.stderr
        assert len(list((tmp_path / "takes").iterdir())) == 1
    finally:
        bridge.terminate()
        bridge.communicate(timeout=20)


@pytest.mark.jack
def test_two_sets_on_one_port_are_refused_with_the_first_ones_process(jack_daemon, tmp_path):
    """Across two rigs and two control sockets; the port is free again when the first set is over."""
    bridges = {}
    try:
        for name in ("first", "second"):
            home = tmp_path / name
            home.mkdir()
            rig = RIG.replace('device = "system"', 'device = "no such interface"').replace("long echo", f"{name} echo")
            (home / "rig.toml").write_text(rig)
            bridges[name] = subprocess.Popen(
                [sys.executable, "-m", "bridge", "run", "rig.toml"],
                cwd=home, env=jack_daemon.env | {"TAPEBRIDGE_RUNTIME": str(home / "runtime")},
                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            )  # fmt: skip
            if name == "first":
                take = wait_for(lambda home=home: next((home / "takes").glob("*/journal.jsonl"), None), "take").parent
                wait_for(lambda take=take: last(PortOpened, take), "port")
        output, _ = bridges["second"].communicate(timeout=30)
        assert bridges["second"].returncode == 1
        assert f"Another set (process {bridges['first'].pid}) has the MIDI output" in output
        assert not (tmp_path / "second" / "takes").exists()
    finally:
        for bridge in bridges.values():
            if bridge.poll() is None:
                bridge.terminate()
                bridge.communicate(timeout=20)
