"""Promises of the host clock."""

import subprocess
import sys
import time

import pytest

from bridge.edge import host_clock
from bridge.edge.host_clock import SuspendWatch, suspended_s


def test_host_time_is_the_same_in_every_process():
    """An instant handed from one process to another means the same to both."""
    before = host_clock.now()
    code = "from bridge.edge import host_clock; print(host_clock.now())"
    theirs = float(subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout)
    assert before < theirs < host_clock.now()


def test_wall_time_counts_from_1970():
    assert abs(host_clock.wall() - time.time()) < 5.0


def test_a_suspend_is_noticed_once_and_jitter_between_two_clocks_is_none():
    """The boot clock is stepped against the monotonic one, as a suspend does it."""
    asleep = [12.0]
    watch = SuspendWatch(lambda: asleep[0])
    assert watch.look() == 0.0
    asleep[0] += 1e-5
    assert watch.look() == 0.0
    asleep[0] += 3600.0
    assert watch.look() == pytest.approx(3600.0, abs=1e-3)
    assert watch.look() == 0.0


def test_this_machine_has_not_been_asleep_for_less_than_nothing():
    assert suspended_s() >= -1e-3
