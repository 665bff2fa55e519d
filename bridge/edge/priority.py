"""What the system grants to a process that has to be on time."""

from __future__ import annotations

import ctypes
import gc
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

REALTIME_PRIORITY = 5
"""Above every normal thread, below the threads of a sound server, whose turns are short and may go first."""

NICE = -10
"""Asked for where real time is not granted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Granted:
    """What a process got.

    Attributes:
        priority: "real time", "nice -10", "user interactive" or "normal".
        timer: How late the system may wake it by its own will: "1 ns", or "usual" where that cannot be chosen.
        memory: "locked" or "not locked".
    """

    priority: str
    timer: str
    memory: str


@contextmanager
def on_time() -> Iterator[Granted]:
    """Run this process ahead of others, in memory and without pauses for garbage, as far as it may; undo it at the end.

    Processes that it starts meanwhile run as normal ones, once they have called `as_usual`.

    Yields:
        What was granted.
    """
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        with _priority() as priority, _exact_timer() as timer, _memory() as memory:
            yield Granted(priority=priority, timer=timer, memory=memory)
    finally:
        gc.enable()
        gc.unfreeze()


if sys.platform == "linux":
    import resource

    PR_SET_TIMERSLACK, PR_GET_TIMERSLACK = 29, 30
    """Of linux/prctl.h."""

    USUAL_SLACK_NS = 50_000
    """What a process of Linux has that nobody gave another. Source: PR_SET_TIMERSLACK(2const)."""

    MCL_CURRENT, MCL_FUTURE, MCL_ONFAULT = 1, 2, 4
    """Of sys/mman.h: what there is, what is to come, and each page only once it was used."""

    _libc = ctypes.CDLL(None, use_errno=True)

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

    @contextmanager
    def _exact_timer() -> Iterator[str]:
        before = _libc.prctl(PR_GET_TIMERSLACK, 0, 0, 0, 0)
        if before < 0 or _set_slack(1) != 0:
            yield "usual"
            return
        try:
            yield "1 ns"
        finally:
            _set_slack(before)

    def _set_slack(nanoseconds: int) -> int:
        return int(_libc.prctl(PR_SET_TIMERSLACK, ctypes.c_ulong(nanoseconds), 0, 0, 0))

    def as_usual() -> None:
        """Give a new process the timer of a normal one: it inherits that of the process which started it."""
        _set_slack(USUAL_SLACK_NS)

    def hurry(pid: int) -> None:
        """Let a child process load ahead of normal ones, but behind this one, until it is `on_time` by itself."""
        with suppress(OSError):
            os.sched_setscheduler(pid, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(REALTIME_PRIORITY - 1))

    @contextmanager
    def _memory() -> Iterator[str]:
        # with a limit, memory that is asked for later would be refused once that is reached: only what is there, then
        unlimited = os.geteuid() == 0 or resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] == resource.RLIM_INFINITY
        what = MCL_CURRENT | MCL_ONFAULT | (MCL_FUTURE if unlimited else 0)
        if _libc.mlockall(what) != 0:
            yield "not locked"
            return
        try:
            yield "locked"
        finally:
            _libc.munlockall()

else:

    def as_usual() -> None:
        """Give a new process the timer of a normal one: it has that here."""

    def hurry(pid: int) -> None:
        """Let a child process load ahead of normal ones: not here."""

    @contextmanager
    def _exact_timer() -> Iterator[str]:
        yield "usual"

    @contextmanager
    def _memory() -> Iterator[str]:
        yield "not locked"


if sys.platform == "win32":
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

elif sys.platform == "darwin":
    USER_INTERACTIVE, DEFAULT = 0x21, 0x15
    """QOS_CLASS_USER_INTERACTIVE and QOS_CLASS_DEFAULT of sys/qos.h."""

    @contextmanager
    def _priority() -> Iterator[str]:
        ask = ctypes.CDLL(None).pthread_set_qos_class_self_np
        granted = ask(USER_INTERACTIVE, 0) == 0
        try:
            yield "user interactive" if granted else "normal"
        finally:
            ask(DEFAULT, 0)

elif sys.platform != "linux":

    @contextmanager
    def _priority() -> Iterator[str]:
        yield "normal"
