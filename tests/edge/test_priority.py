"""Promises of the priority: it is given back, and nobody inherits it."""

import ctypes
import gc
import os
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.edge.priority import hurry, on_time

on_linux = pytest.mark.skipif(sys.platform != "linux", reason="asks Linux")

LOCKED = "import pathlib, re; print(re.search(r'VmLck:\\s*(\\d+)', pathlib.Path('/proc/self/status').read_text())[1])"


def test_collection_of_garbage_rests_and_comes_back():
    with on_time() as granted:
        assert granted.priority in ("real time", "nice -10", "user interactive", "normal")
        assert not gc.isenabled()
        assert gc.get_freeze_count() > 0
    assert gc.isenabled()
    assert gc.get_freeze_count() == 0


@on_linux
def test_children_run_as_normal_processes_and_the_priority_is_given_back():
    before = os.sched_getscheduler(0), os.getpriority(os.PRIO_PROCESS, 0)
    ask = [sys.executable, "-c", "import os; print(os.sched_getscheduler(0), os.getpriority(os.PRIO_PROCESS, 0))"]
    with on_time() as granted:
        mine = os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK
        assert mine == (os.SCHED_FIFO if granted.priority == "real time" else os.SCHED_OTHER)
        theirs = subprocess.run(ask, check=True, capture_output=True, text=True).stdout.split()
    assert theirs == [str(os.SCHED_OTHER), str(before[1])]
    assert (os.sched_getscheduler(0), os.getpriority(os.PRIO_PROCESS, 0)) == before


def slack_ns() -> int:
    """Return this thread's timer slack: PR_GET_TIMERSLACK of linux/prctl.h."""
    return ctypes.CDLL(None).prctl(30, 0, 0, 0, 0)


@on_linux
def test_the_timer_is_exact_and_becomes_as_it_was_and_a_child_can_have_a_usual_one():
    before = slack_ns()
    code = "from tests.edge.test_priority import slack_ns; from bridge.edge.priority import as_usual; as_usual()"
    ask = [sys.executable, "-c", f"{code}; print(slack_ns())"]
    with on_time() as granted:
        assert granted.timer == "1 ns"
        root = Path(__file__).resolve().parents[2]
        told = subprocess.run(ask, check=True, capture_output=True, text=True, cwd=root).stdout
        if os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK == os.SCHED_OTHER:  # none is kept for a real-time thread
            assert slack_ns() == 1
    assert told == "50000\n"
    assert slack_ns() == before


@on_linux
def test_memory_is_locked_where_that_is_granted_and_given_back_and_children_have_none():
    def locked_kb() -> int:
        return int(Path("/proc/self/status").read_text().partition("VmLck:")[2].split()[0])

    before = locked_kb()
    with on_time() as granted:
        assert (locked_kb() > before) == (granted.memory == "locked")
        told = subprocess.run([sys.executable, "-c", LOCKED], check=True, capture_output=True, text=True).stdout
    assert told == "0\n"
    assert locked_kb() == before


@on_linux
def test_a_child_may_load_ahead_of_normal_processes_but_behind_the_one_that_started_it():
    code = "import sys; sys.stdin.read()"
    child = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE)
    try:
        with on_time() as granted:
            hurry(child.pid)
            if granted.priority == "real time":
                assert 0 < os.sched_getparam(child.pid).sched_priority < os.sched_getparam(0).sched_priority
            else:
                assert os.sched_getscheduler(child.pid) & ~os.SCHED_RESET_ON_FORK == os.SCHED_OTHER
    finally:
        child.communicate()
    hurry(child.pid)  # gone: nothing happens
