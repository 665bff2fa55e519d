"""Promises of the priority: it is given back, and nobody inherits it."""

import gc
import os
import subprocess
import sys

import pytest

from bridge.edge.priority import on_time


def test_collection_of_garbage_rests_and_comes_back():
    with on_time() as granted:
        assert granted in ("real time", "nice -10", "normal")
        assert not gc.isenabled()
        assert gc.get_freeze_count() > 0
    assert gc.isenabled()
    assert gc.get_freeze_count() == 0


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux's scheduler")
def test_children_run_as_normal_processes_and_the_priority_is_given_back():
    before = os.sched_getscheduler(0), os.getpriority(os.PRIO_PROCESS, 0)
    ask = [sys.executable, "-c", "import os; print(os.sched_getscheduler(0), os.getpriority(os.PRIO_PROCESS, 0))"]
    with on_time() as granted:
        mine = os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK
        assert mine == (os.SCHED_FIFO if granted == "real time" else os.SCHED_OTHER)
        theirs = subprocess.run(ask, check=True, capture_output=True, text=True).stdout.split()
    assert theirs == [str(os.SCHED_OTHER), str(before[1])]
    assert (os.sched_getscheduler(0), os.getpriority(os.PRIO_PROCESS, 0)) == before
