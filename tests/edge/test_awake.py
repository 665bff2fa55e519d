"""Promises of what keeps the system awake: it is told how that went, and nothing outlives the set."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import pytest

from bridge.edge.awake import COMMANDS, Awake
from bridge.edge.host_clock import now
from bridge.events_host import SleepInhibited, SleepPossible
from bridge.testing.clock import FakeClock

pytestmark = pytest.mark.skipif(os.name != "posix", reason="runs cat and sh")


def test_what_runs_on_for_a_moment_was_granted_and_is_told_once():
    clock = FakeClock(10.0)
    awake = Awake(clock, "cat")
    try:
        assert awake.look() is None
        clock.advance(2.0)
        assert awake.look() == SleepInhibited(at=12.0, by="cat")
        assert awake.look() is None
    finally:
        awake.close()


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("no-such-program cat", "this system has no no-such-program"),
        ("ls --no-such-option", "ls exited with code 2: ls: unrecognized option '--no-such-option'"),
        ("false", "false exited with code 1: no word"),
    ],
)
def test_a_refusal_is_told_with_what_the_system_said(command, said):
    awake = Awake(now, command)
    try:
        told, give_up = None, time.monotonic() + 10
        while told is None and time.monotonic() < give_up:
            told = awake.look()
        assert isinstance(told, SleepPossible)
        assert told.why == said
        assert awake.look() is None
    finally:
        awake.close()


def test_what_keeps_the_system_awake_ends_with_a_set_that_is_killed():
    code = (
        "import os, time; from bridge.edge.awake import Awake; from bridge.edge.host_clock import now\n"
        "awake = Awake(now, 'cat'); print(awake._process.pid, flush=True); time.sleep(60)"
    )
    sets = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    pid = int(sets.stdout.readline())
    os.kill(pid, 0)
    sets.kill()
    sets.communicate()
    give_up = time.monotonic() + 10
    while _runs(pid):
        assert time.monotonic() < give_up
        time.sleep(0.02)


def _runs(pid: int) -> bool:
    """Whether a process that is no child of ours still runs."""
    try:
        state = subprocess.run(["ps", "-o", "stat=", "-p", str(pid)], capture_output=True, text=True).stdout
    except FileNotFoundError:
        pytest.skip("needs ps")
    return bool(state.strip()) and not state.startswith("Z")


def test_each_system_is_asked_for_as_long_as_the_input_of_cat_is_open():
    assert all(command.split()[-1] == "cat" for command in COMMANDS.values())
