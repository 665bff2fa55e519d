"""Promises of the host clock."""

import subprocess
import sys
import time

from bridge.edge import host_clock


def test_host_time_is_the_same_in_every_process():
    """An instant handed from one process to another means the same to both."""
    before = host_clock.now()
    code = "from bridge.edge import host_clock; print(host_clock.now())"
    theirs = float(subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout)
    assert before < theirs < host_clock.now()


def test_wall_time_counts_from_1970():
    assert abs(host_clock.wall() - time.time()) < 5.0
