"""The one host clock that all processes share, and the wall clock beside it."""

from __future__ import annotations

import os
import time

SPIN_S = 0.002 if os.name == "nt" else 0.0004
"""How long before an instant waiting for it is to turn into spinning, in seconds.

A wait in real time ended 0.2 ms late at worst, measured on Linux with both cores busy; on Windows it ends on a grid of
1 ms.
"""


def now() -> float:
    """Return host time in seconds.

    It is `time.perf_counter`: monotonic, finer than a microsecond, and the same in every process of the machine
    (CLOCK_MONOTONIC on Linux, the mach clock on macOS, the performance counter on Windows), so that an instant can be
    handed from one process to another. It stands still or runs on during a system suspend, as the system has it.
    """
    return time.perf_counter()


def wall() -> float:
    """Return wall time in seconds since 1970 UTC. It may jump: never take a difference of it."""
    return time.time()
