"""Keys of a terminal, on a pseudo-terminal of the test's own."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.edge.keys import Keys, terminal_kept

pty = pytest.importorskip("pty", reason="there are no pseudo-terminals here")
termios = pytest.importorskip("termios", reason="there are no pseudo-terminals here")

READER = """
import os, sys, select, signal, time
from bridge.edge.keys import Keys, terminal_kept
signal.signal(signal.SIGHUP, signal.SIG_IGN)
signal.signal(signal.SIGINT, lambda *_: sys.exit(7))
keep = terminal_kept() if sys.argv[1] == "kept" else __import__("contextlib").nullcontext()
with keep:
    if sys.argv[1] == "kept" and os.fork() == 0:
        keys = Keys(time.monotonic).__enter__()
        print("taken", keys.fileno() >= 0, flush=True)
        os.kill(os.getpid(), signal.SIGKILL)
    elif sys.argv[1] == "kept":
        os.wait()
        raise SystemExit
    with Keys(time.monotonic) as keys:
        print("taken", keys.fileno() >= 0, flush=True)
        until = time.monotonic() + 10
        while keys.fileno() >= 0 and time.monotonic() < until:
            select.select([keys], [], [], min(1.0, max(0.0, keys.next_due() - time.monotonic())))
            for key, _ in keys.take():
                print(key, flush=True)
                if key == "q": raise SystemExit
                if key == "x": raise RuntimeError("as any failure")
        print("gone", keys.take(), flush=True)
"""


class Terminal:
    """A terminal with a program in its foreground."""

    def __init__(self, how: str = "plain") -> None:
        self.ours, theirs = pty.openpty()
        self.before = termios.tcgetattr(theirs)
        begin = "import os, fcntl, termios; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0)"
        self.program = subprocess.Popen(
            [sys.executable, "-c", f"{begin}\n{READER}", how],
            stdin=theirs,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self.theirs = theirs

    def line(self) -> str:
        assert self.program.stdout is not None
        return self.program.stdout.readline().strip()

    def state(self) -> list[object]:
        return list(termios.tcgetattr(self.theirs))

    def close(self) -> None:
        self.program.kill()
        self.program.wait()
        assert self.program.stdout is not None
        self.program.stdout.close()
        os.close(self.ours)
        os.close(self.theirs)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    made = Terminal()
    yield made
    made.close()


def test_keys_come_one_by_one_without_enter_and_the_terminal_is_given_back(terminal: Terminal) -> None:
    assert terminal.line() == "taken True"
    assert terminal.state() != terminal.before
    os.write(terminal.ours, b"a \x1b[Aq")
    assert [terminal.line() for _ in range(4)] == ["a", "space", "up", "q"]
    assert terminal.program.wait(5) == 0
    assert terminal.state() == terminal.before


def test_a_lone_escape_is_told_without_another_key(terminal: Terminal) -> None:
    terminal.line()
    os.write(terminal.ours, b"\x1b")
    assert terminal.line() == "escape"


def test_ctrl_c_still_ends_the_program_and_the_terminal_is_given_back(terminal: Terminal) -> None:
    terminal.line()
    os.write(terminal.ours, b"\x03")
    assert terminal.program.wait(5) == 7
    assert terminal.state() == terminal.before


def test_a_program_that_fails_gives_the_terminal_back(terminal: Terminal) -> None:
    terminal.line()
    os.write(terminal.ours, b"x")
    assert terminal.program.wait(5) == 1
    assert terminal.state() == terminal.before


def test_a_terminal_that_is_closed_gives_no_more_keys_and_no_error(terminal: Terminal) -> None:
    terminal.line()
    os.close(terminal.theirs)
    os.close(terminal.ours)
    assert terminal.line() == "gone []"
    assert terminal.program.wait(5) == 0
    terminal.ours, terminal.theirs = pty.openpty()  # for the end of the test


def test_who_outlives_a_killed_reader_gives_the_terminal_back() -> None:
    terminal = Terminal("kept")
    try:
        assert terminal.line() == "taken True"
        assert terminal.program.wait(5) == 0
        assert terminal.state() == terminal.before
    finally:
        terminal.close()


def test_without_a_terminal_there_are_no_keys(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for path in (tmp_path / "absent", tmp_path / "file"):
        with terminal_kept(str(path)), Keys(time.monotonic, str(path)) as keys:
            assert keys.fileno() == -1
            assert keys.take() == []


def test_a_terminal_that_belongs_to_others_is_left_alone() -> None:
    """As to a set in the background, which would be stopped for good if it read or changed the terminal."""
    ours, theirs = pty.openpty()
    before = termios.tcgetattr(theirs)
    try:
        with Keys(time.monotonic, os.ttyname(theirs)) as keys:
            assert keys.fileno() == -1
            assert termios.tcgetattr(theirs) == before
    finally:
        os.close(ours)
        os.close(theirs)
