"""Promises of the local socket behind ``tapebridge mark``, ``end`` and what is done by hand."""

import json
import os
import re
import select
import socket
import stat
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bridge.actions import Action, action_of
from bridge.edge import control as control_module
from bridge.edge.control import CLIENTS_MAX, Control, ask, end
from bridge.edge.host_clock import now
from bridge.errors import BridgeError
from bridge.testing.clock import FakeClock

NOT_DONE = Action("let go", ("north",))
NAMES = {"pedal": ("long echo", "stutter"), "deck": ("north",)}


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "runtime"
    monkeypatch.setenv("TAPEBRIDGE_RUNTIME", str(folder))
    return folder


@contextmanager
def serving(clock: Callable[[], float] = now) -> Iterator[tuple[Control, list[Action | str]]]:
    """A set that runs, as far as other terminals see; it ends soon after it is asked to."""
    control, asked, ended = Control(clock, NAMES), [], threading.Event()

    def do(action: Action) -> str:
        asked.append(action)
        return "there is nothing to let go" if action == NOT_DONE else ""

    def serve() -> None:
        while not ended.is_set() and "end" not in asked:
            readable, _, _ = select.select(control.sockets(), [], [], 0.02)
            if control.serve(readable, do):
                asked.append("end")
            control.tend()
        control.close()

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield control, asked
    finally:
        ended.set()
        thread.join(5)


def run_of(runtime: Path) -> dict[str, object]:
    """Return what the run file says."""
    return json.loads((runtime / "run.json").read_text())


def raw(runtime: Path, data: bytes) -> bytes:
    """Say something to the set that runs; return its answer."""
    with socket.create_connection(("127.0.0.1", run_of(runtime)["port"]), timeout=5) as connection:
        try:
            connection.sendall(data)
            return connection.recv(100)
        except ConnectionError:
            return b""


def test_what_is_done_by_hand_reaches_the_set():
    with serving() as (_, asked):
        ask(action_of("hands off: long echo"))
        ask(action_of("keep: north"))
    assert asked == [Action("hands off", ("long echo",)), Action("keep", ("north",))]


@pytest.mark.parametrize(
    ("what", "said"),
    [
        (
            "hands off: long ecko",
            'In this set there is no pedal called "long ecko"; did you mean "long echo"?',
        ),
        ("go: north", 'In this set there is no pedal called "north"'),
        ("let go: long echo", 'In this set there is no deck called "long echo"; known: "north".'),
        ("arm: loop box", 'In this set there is no looper called "loop box"; known: none.'),
    ],
)
def test_a_pedal_or_deck_that_is_not_there_is_refused_with_those_that_are(what, said):
    with serving() as (_, asked):
        with pytest.raises(BridgeError, match=re.escape(said)):
            ask(action_of(what))
        ask(action_of("hands on: stutter"))  # and the set goes on
    assert asked == [Action("hands on", ("stutter",))]


def test_what_the_set_cannot_do_is_refused_in_its_words():
    with serving(), pytest.raises(BridgeError, match="there is nothing to let go"):
        ask(NOT_DONE)


def test_a_mark_reaches_the_set_as_it_was_written():
    with serving() as (_, asked):
        ask(Action("mark", ("kettle: ‘steam’\nand rattle",)))
    assert asked == [Action("mark", ("kettle: ‘steam’\nand rattle",))]


def test_end_returns_when_the_set_is_over(runtime):
    with serving() as (_, asked):
        end()
        assert asked == ["end"]
        assert not (runtime / "run.json").exists()


@pytest.mark.parametrize("say", [lambda: ask(Action("mark", ("x",))), end])
def test_without_a_set_both_say_what_to_do(say):
    with pytest.raises(BridgeError, match=r"No set is running. Start one: tapebridge run RIG"):
        say()


@pytest.mark.parametrize("text", ["", "  \n", "x" * 1001])
def test_a_mark_that_is_no_text_is_refused_before_anything_is_sent(text):
    with pytest.raises(BridgeError, match="1 to 1000 characters"):
        ask(Action("mark", (text,)))


def test_a_second_set_is_refused_with_the_process_of_the_first():
    with serving(), pytest.raises(BridgeError, match=rf"running already \(process {os.getpid()}\).*tapebridge end"):
        Control(now)


def test_the_file_of_a_dead_process_is_stale(runtime):
    """Its port may since belong to somebody else."""
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    with socket.create_server(("127.0.0.1", 0)) as other:
        runtime.mkdir()
        run = {"port": other.getsockname()[1], "token": "x", "pid": dead.pid}
        (runtime / "run.json").write_text(json.dumps(run))
        with serving() as (_, asked):
            ask(Action("mark", ("here",)))
    assert asked == [Action("mark", ("here",))]


def test_a_set_that_was_cut_off_is_told_as_not_running(runtime):
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    runtime.mkdir()
    (runtime / "run.json").write_text(json.dumps({"port": port, "token": "x", "pid": os.getpid()}))
    with pytest.raises(BridgeError, match="No set is running: the last one was cut off"):
        ask(Action("mark", ("x",)))
    Control(now).close()
    assert not (runtime / "run.json").exists()


@pytest.mark.parametrize("text", ["", "{", "[]", '{"port": "x"}', '{"port": 0, "token": "", "pid": 1}'])
def test_a_run_file_of_nonsense_counts_as_none(runtime, text):
    runtime.mkdir()
    (runtime / "run.json").write_text(text)
    with pytest.raises(BridgeError, match="No set is running"):
        end()
    Control(now).close()


def test_the_token_stands_where_only_this_user_reads(runtime):
    with serving():
        assert stat.S_IMODE((runtime / "run.json").stat().st_mode) == 0o600
        assert stat.S_IMODE(runtime.stat().st_mode) == 0o700
        assert len(run_of(runtime)["token"]) >= 32
        assert list(runtime.iterdir()) == [runtime / "run.json"]


@pytest.mark.parametrize(
    "request_line",
    [
        b'{"token":"wrong","do":"end"}\n',
        b'{"do":"end"}\n',
        b"GET / HTTP/1.1\r\n\r\n",
        b"\xff\x00\n",
        b"[" * 5000 + b"\n",
        b"x" * 20_000 + b"\n",
    ],
)
def test_what_lacks_the_token_or_is_no_request_is_turned_away_without_an_answer(runtime, request_line):
    with serving() as (_, asked):
        assert raw(runtime, request_line) == b""
        ask(Action("mark", ("still here",)))
    assert asked == [Action("mark", ("still here",))]


@pytest.mark.parametrize(
    "more", [{"do": "mark", "text": 5}, {"do": "mark"}, {"do": "erase"}, {"do": "mark", "text": " "}]
)
def test_a_request_with_the_token_that_makes_no_sense_is_turned_away(runtime, more):
    with serving() as (_, asked):
        assert raw(runtime, json.dumps({"token": run_of(runtime)["token"]} | more).encode() + b"\n") == b""
    assert asked == []


def test_silent_clients_are_turned_away_and_do_not_keep_others_out(runtime):
    clock = FakeClock()
    control = Control(clock)
    silent = []
    try:
        for _ in range(CLIENTS_MAX + 3):
            silent.append(socket.create_connection(("127.0.0.1", run_of(runtime)["port"]), timeout=5))
            control.serve([control.sockets()[0]], lambda action: "")
        assert len(control.sockets()) == 1 + CLIENTS_MAX
        clock.advance(control_module.CLIENT_S + 0.1)
        control.tend()
        assert len(control.sockets()) == 1
    finally:
        control.close()
        for connection in silent:
            connection.close()


def test_a_folder_that_cannot_be_used_is_told(runtime):
    runtime.write_text("a file")
    with pytest.raises(BridgeError, match="runtime: cannot be used"):
        Control(now)
