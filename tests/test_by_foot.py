"""A set that is played by foot alone: switches in, loopers, cues and lamps out, through a private JACK server.

The sender, its listener, the process of the switches and those of the ports are real, and so are the cables.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import rtmidi

from bridge.edge.midi import end_client
from bridge.events_foot import CueFired, LooperChanged, SwitchUsed
from bridge.events_hand import TempoKept
from bridge.journal.recover import recover
from tests.conftest import JackServer, running_jack_server

pytestmark = [pytest.mark.jack, pytest.mark.timeout(90)]

ROOT = Path(__file__).resolve().parents[1]
PERIOD_S = 60.0 / 84.0

RIG = """
[[decks]]
name = "north"
channels = [1]

[[pedals]]
name = "loop box"
port = "Pedals A"
listens_to = "north"

[[loopers]]
name = "loop box"
port = "Pedals A"
channel = 3
listens_to = "north"
pedal = "loop box"
starts_on = "bar"
bars = 1
if_lost = "fire"
[loopers.record]
messages = ["cc 80 127"]
[loopers.play]
messages = ["cc 81 127"]
[loopers.stop]
messages = ["cc 83 127"]

[[cues]]
name = "horns"
when = "at 0:04"
does = ["keep: north"]
messages = ["program 5"]
port = "Pedals A"

[[switches]]
name = "tap"
port = "Foot"
trigger = "note 60"
press = "tap: north"

[[switches]]
name = "one"
port = "Foot"
trigger = "note 61"
press = "this is one: north"

[[switches]]
name = "arm"
port = "Foot"
trigger = "cc 64"
press = "arm: loop box"
hold = "all quiet"

[[lamps]]
shows = "recording: loop box"
port = "Lights"
on = ["cc 22 127"]
off = ["cc 22 0"]

[midi]
api = "jack"
virtual = ["Pedals A", "Lights"]

[take]
sound = false
"""

RECORD, PLAY, STOP = [0xB2, 80, 127], [0xB2, 81, 127], [0xB2, 83, 127]


@dataclass
class Stage:
    """A set that runs, the board under the foot, and what arrived at the ends of its cables.

    Attributes:
        run: The set's process.
        home: Its folder.
        board: What the foot stands on.
        env: The environment of the set, for other terminals.
        heard: Host time and bytes of what arrived, clock left out.
        began: Host time of the first tap's press.
        refused: What another terminal was told that asked for an overdub.
    """

    run: subprocess.Popen[bytes]
    home: Path
    board: Any
    env: dict[str, str]
    heard: list[tuple[float, list[int]]] = field(default_factory=list)
    began: float = 0.0
    refused: subprocess.CompletedProcess[str] | None = None

    def until(self, holds: Callable[[], object], what: str, longest_s: float = 30.0) -> None:
        give_up = time.monotonic() + longest_s
        while not holds():
            assert time.monotonic() < give_up, f"no {what}"
            assert self.run.poll() is None, f"the set ended before {what}"
            time.sleep(0.01)

    def press(self, down: list[int], up: list[int], at: float, for_s: float = 0.06) -> None:
        """Press a switch at a host time."""
        time.sleep(max(0.0, at - time.perf_counter()))
        self.board.send_message(down)
        time.sleep(for_s)
        self.board.send_message(up)

    def at_of(self, message: list[int]) -> float:
        """Return when a message arrived first; wait for it."""
        self.until(lambda: any(data == message for _, data in self.heard), f"message {message}")
        return next(at for at, data in self.heard if data == message)

    def facts(self) -> list[Any]:
        [folder] = (self.home / "recordings").iterdir()
        return list(recover((folder / "journal.jsonl").read_bytes()).facts)


@contextlib.contextmanager
def on_stage(server: JackServer, home: Path) -> Iterator[Stage]:
    """Play the rig with the board plugged in, and hear its ports."""
    (home / "rig.toml").write_text(RIG)
    os.environ["JACK_DEFAULT_SERVER"] = server.env["JACK_DEFAULT_SERVER"]
    board = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "Board")
    board.open_virtual_port("Foot")
    env = server.env | {"TAPEBRIDGE_RUNTIME": str(home / "runtime"), "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "bridge", "run", "rig.toml"]
    log = (home / "run.log").open("wb")
    run = subprocess.Popen(command, cwd=home, env=env, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
    stage, ears = Stage(run, home, board, env), []
    try:
        stage.until(lambda: b"Foot: ready" in (home / "run.log").read_bytes(), "foot")
        ears = [_ear(name, stage.heard) for name in ("Pedals A", "Lights")]
        yield stage
    finally:
        if run.poll() is None:
            run.send_signal(signal.SIGINT)
            with contextlib.suppress(subprocess.TimeoutExpired):
                run.wait(15)
            run.kill()
        run.wait()
        log.close()
        for port in (board, *ears):
            end_client(port)


def _ear(name: str, heard: list[tuple[float, list[int]]]) -> Any:
    ear = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, f"ear {name}")
    ear.set_callback(lambda came, _: heard.append((time.perf_counter(), came[0])))
    give_up = time.monotonic() + 10.0
    while not (found := [index for index, port in enumerate(ear.get_ports()) if port.endswith(f":{name}")]):
        assert time.monotonic() < give_up, f"no port {name}"
        time.sleep(0.05)
    ear.open_port(found[0])
    return ear


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Stage, list[Any]]]:
    """Four taps, one, arm, and, while the loop plays, a long press."""
    home = tmp_path_factory.mktemp("stage")
    before = os.environ.get("JACK_DEFAULT_SERVER")
    with running_jack_server(f"bridge-foot-{os.getpid()}", home / "jackd.log") as server:
        try:
            with on_stage(server, home) as stage:
                stage.began = time.perf_counter() + 0.2
                for beat in range(4):
                    stage.press([0x90, 60, 100], [0x80, 60, 0], stage.began + beat * PERIOD_S)
                stage.press([0x90, 61, 100], [0x80, 61, 0], stage.began + 4 * PERIOD_S)
                stage.press([0xB0, 64, 127], [0xB0, 64, 0], stage.began + 5.3 * PERIOD_S)
                stage.at_of(PLAY)
                stage.press([0xB0, 64, 127], [0xB0, 64, 0], 0.0, for_s=0.9)
                stage.at_of(STOP)
                command = [sys.executable, "-m", "bridge", "do", "overdub: loop box"]
                stage.refused = subprocess.run(command, env=stage.env, capture_output=True, text=True, timeout=20)
            yield stage, stage.facts()
        finally:
            os.environ.pop("JACK_DEFAULT_SERVER")
            if before is not None:
                os.environ["JACK_DEFAULT_SERVER"] = before


def test_a_looper_records_from_the_bar_for_a_bar_and_closes_by_itself(played: tuple[Stage, list[Any]]) -> None:
    """Within 60 ms: the taps of this test are not better than its machine."""
    stage, _ = played
    bar = stage.began + 4 * PERIOD_S
    assert stage.at_of(RECORD) == pytest.approx(bar + 4 * PERIOD_S, abs=0.06)
    assert stage.at_of(PLAY) - stage.at_of(RECORD) == pytest.approx(4 * PERIOD_S, rel=0.03)
    sent = [data for _, data in stage.heard if data in (RECORD, PLAY, STOP)]
    assert sent[:3] == [RECORD, PLAY, STOP]
    # an absolute one may come once more: where messages get lost, it does no harm
    assert all(data == STOP for data in sent[3:])


def test_a_lamp_is_lit_as_long_as_it_records_and_none_is_left_on(played: tuple[Stage, list[Any]]) -> None:
    stage, _ = played
    lamp = [data for _, data in stage.heard if data[:2] == [0xB0, 22]]
    assert [data[2] for data in lamp] == [127, 0] or [data[2] for data in lamp] == [0, 127, 0]
    lit_at = next(at for at, data in stage.heard if data == [0xB0, 22, 127])
    assert abs(lit_at - stage.at_of(RECORD)) < 0.05


def test_a_cue_fires_once_with_its_messages_and_actions(played: tuple[Stage, list[Any]]) -> None:
    stage, facts = played
    assert [data for _, data in stage.heard].count([0xC0, 5]) == 1
    assert [fact.cue for fact in facts if isinstance(fact, CueFired)] == ["horns"]
    assert any(isinstance(fact, TempoKept) for fact in facts)


def test_every_use_and_every_edge_is_in_the_journal(played: tuple[Stage, list[Any]]) -> None:
    _, facts = played
    used = [(fact.switch, fact.how, fact.action) for fact in facts if isinstance(fact, SwitchUsed)]
    taps = [("tap", "press", "tap: north")] * 4
    assert used == [
        *taps,
        ("one", "press", "this is one: north"),
        ("arm", "press", "arm: loop box"),
        ("arm", "hold", "all quiet"),
        ("terminal", "press", "overdub: loop box"),
    ]
    edges = [(fact.was, fact.now) for fact in facts if isinstance(fact, LooperChanged)]
    assert edges == [("idle", "armed"), ("armed", "recording"), ("recording", "playing"), ("playing", "stopped")]


def test_another_terminal_is_told_why_something_was_not_done(played: tuple[Stage, list[Any]]) -> None:
    stage, _ = played
    assert stage.refused is not None
    assert stage.refused.returncode == 1
    assert "overdub: loop box: " in stage.refused.stderr
