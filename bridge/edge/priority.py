"""What the system grants to a process that has to be on time."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

REALTIME_PRIORITY = 5
"""Above every normal thread, below the threads of a sound server, whose turns are short and may go first."""

NICE = -10
"""Asked for where real time is not granted."""


@contextmanager
def on_time() -> Iterator[str]:
    """Run this process ahead of others and without pauses for garbage, as far as it may; undo it at the end.

    Processes that it starts meanwhile run as normal ones.

    Yields:
        What was granted: "real time", "nice -10", or "normal".
    """
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        with _priority() as granted:
            yield granted
    finally:
        gc.enable()
        gc.unfreeze()


if sys.platform == "linux":

    @contextmanager
    def _priority() -> Iterator[str]:
        # SCHED_RESET_ON_FORK: children neither run in real time nor keep a raised niceness
        before = os.sched_getscheduler(0), os.sched_getparam(0), os.getpriority(os.PRIO_PROCESS, 0)
        try:
            os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(REALTIME_PRIORITY))
            granted = "real time"
        except PermissionError:
            granted = _raised_niceness()
        try:
            yield granted
        finally:
            if granted != "normal":
                os.sched_setscheduler(0, *before[:2])
                os.setpriority(os.PRIO_PROCESS, 0, before[2])

    def _raised_niceness() -> str:
        try:
            os.setpriority(os.PRIO_PROCESS, 0, NICE)
        except PermissionError:
            return "normal"
        os.sched_setscheduler(0, os.SCHED_OTHER | os.SCHED_RESET_ON_FORK, os.sched_param(0))
        return f"nice {NICE}"

elif sys.platform == "win32":
    import ctypes

    TIME_CRITICAL = 15
    """THREAD_PRIORITY_TIME_CRITICAL of SetThreadPriority."""

    @contextmanager
    def _priority() -> Iterator[str]:
        # without timeBeginPeriod a wait ends up to 15.6 ms late
        timer, kernel = ctypes.WinDLL("winmm"), ctypes.WinDLL("kernel32")
        kernel.GetCurrentThread.restype = ctypes.c_void_p
        thread = ctypes.c_void_p(kernel.GetCurrentThread())
        timer.timeBeginPeriod(1)
        granted = kernel.SetThreadPriority(thread, TIME_CRITICAL)
        try:
            yield "real time" if granted else "normal"
        finally:
            kernel.SetThreadPriority(thread, 0)
            timer.timeEndPeriod(1)

else:

    @contextmanager
    def _priority() -> Iterator[str]:
        yield "normal"
