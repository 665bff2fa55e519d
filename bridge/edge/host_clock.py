"""The one host clock that all processes share, and the wall clock beside it."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable

SLEEP_S = 0.2
"""A shorter sleep than this, in seconds, is none: the two clocks are not read at the same instant."""

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


def suspended_s() -> float:
    """Return for how long the system has been asleep since it started, in seconds; 0 where it does not tell.

    It is how far the clock that runs on meanwhile is ahead of the one that stands still: CLOCK_BOOTTIME of
    CLOCK_MONOTONIC on Linux, CLOCK_MONOTONIC of CLOCK_UPTIME_RAW on macOS. Host time stands still with the latter.
    """
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME) - time.clock_gettime(time.CLOCK_MONOTONIC)
    if sys.platform == "darwin":
        return time.clock_gettime(time.CLOCK_MONOTONIC) - time.clock_gettime(time.CLOCK_UPTIME_RAW)
    return 0.0


class SuspendWatch:
    """Notices that the system was asleep.

    Args:
        suspended: Tells for how long it has been altogether, in seconds, such as `suspended_s`.
    """

    def __init__(self, suspended: Callable[[], float] | None = None) -> None:
        self._suspended = suspended_s if suspended is None else suspended
        self._before = self._suspended()

    def look(self) -> float:
        """Return for how long it was asleep since the last look, in seconds; 0 if less than SLEEP_S."""
        slept = self._suspended() - self._before
        if not slept >= SLEEP_S:
            return 0.0
        self._before += slept
        return slept
