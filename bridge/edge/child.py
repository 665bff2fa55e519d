"""The listener as a process of its own: started, watched, replaced when it is lost, ended in order."""

from __future__ import annotations

import importlib
import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from math import inf
from types import FrameType
from typing import Any

from bridge.edge.link import Alive, EndAsked, Link, PortsGone, Standing
from bridge.edge.priority import as_usual
from bridge.events import Fact, ListenerLost, PedalTold, PortLost, PortOpened
from bridge.events_foot import StageStands
from bridge.events_hand import Hand
from bridge.events_host import FootLost

PATIENCE_S = 3.0
"""A listener that gave no sign of life for so long, in seconds, is hung."""

START_PATIENCE_S = 30.0
"""The same for its first sign of life: loading its libraries takes long on a slow disk."""

LEAVE_S = 0.5
"""Time between the end of a listener's link and the end of its process, in seconds."""

SHORT_LIFE_S = 10.0
"""A listener that lived shorter counts as crash-looping."""

LONGEST_WAIT_S = 30.0
"""Longest wait before another start of a listener that is crash-looping."""

UNHEARD_MAX = 1000
"""Facts kept for the next listener, then the oldest are dropped and counted; to send them all takes about 15 ms."""

ENDING = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
"""Signals that may reach the whole terminal or group of processes: the sender takes them and ends the listener."""

STOPPING = [getattr(signal, name) for name in ("SIGTSTP",) if hasattr(signal, name)]
"""Signals that a set ignores: Ctrl-Z would stop its clocks dead, with the performer's pedals in mid-delay."""


@dataclass(frozen=True, slots=True)
class Listen:
    """How to run a listener. The sender does not import it: it would bring all its libraries.

    Attributes:
        target: "module:function"; called in the new process with its end of the link, the number of the start (from
            1) and ``args``. It is to call `Link.keep_alive` at least every second, to end soon after an `EndAsked`, and
            by itself once the link is closed.
        args: Picklable.
    """

    target: str
    args: tuple[Any, ...] = ()


class Child:
    """One process that listens.

    Args:
        listen: What it runs.
        start: Number of the start, from 1.
        now: Host time in seconds.
        said: What it tells the terminal first of all, on standard error.

    Raises:
        OSError: The system cannot start a process.

    Attributes:
        link: Our end of the link to it.
        pid: Its process id.
        began: Host time at which it was started, in seconds.
    """

    def __init__(self, listen: Listen, start: int, now: float, said: str = "") -> None:
        self.link, theirs = Link.pair()
        self._process = multiprocessing.get_context("spawn").Process(
            target=_listen, args=(listen.target, theirs, start, listen.args, said), name="listener"
        )
        try:
            with signals_held():
                self._process.start()
        except BaseException:
            self.link.close()
            raise
        finally:
            theirs.close()
        self.pid: int = self._process.pid or 0
        self.began = now
        self._patience_until = now + START_PATIENCE_S
        self._closed_at = inf

    def alive_at(self, now: float) -> None:
        """Note a sign of life."""
        self._patience_until = now + PATIENCE_S

    def excuse(self, now: float) -> None:
        """Give the process as much time from ``now`` on as after a sign of life, or what it has if that is more."""
        self._patience_until = max(self._patience_until, now + PATIENCE_S)

    def why_lost(self, now: float) -> str:
        """Return why the process is no use any more; empty if it is."""
        code = self._process.exitcode
        if code is not None:
            return f"killed by {signal.Signals(-code).name}" if code < 0 else f"exited with code {code}"
        if self.link.closed:
            self._closed_at = min(self._closed_at, now)
            return self.link.why_closed if now >= self._closed_at + LEAVE_S else ""
        return f"hung: no sign of life for {PATIENCE_S:g} s" if now >= self._patience_until else ""

    @property
    def gone(self) -> bool:
        """Whether the process has ended."""
        return self._process.exitcode is not None

    @property
    def failed(self) -> bool:
        """Whether the process has not ended, or not in order."""
        return self._process.exitcode != 0

    def kill(self) -> None:
        """End the process at once, and the link; return without waiting."""
        self._process.kill()
        self.link.close()

    def wait(self, longest_s: float) -> None:
        """Wait until the process has ended, at most ``longest_s`` seconds."""
        self._process.join(longest_s)


class Listeners:
    """The listener that runs now, and the next one when that is lost.

    Facts of the sender reach a listener in order: what one had not vouched for when it was lost goes to the next, so
    that a fact may reach a journal twice but is not lost. A new listener is given those first, then which ports are
    gone, the newest order of each pedal and what stands by hand, so that it knows what the pedals have.

    Args:
        listen: What runs.
        now: Tells the host time in seconds.
        loss: The fact that one was lost.

    Attributes:
        starts: How many were started.
        dropped: How many facts were dropped because no listener came to take them.
        hands: What stands by hand, for the next listener; to be set by who knows.
    """

    def __init__(
        self, listen: Listen, now: Callable[[], float], loss: type[ListenerLost] | type[FootLost] = ListenerLost
    ) -> None:
        self._loss = loss
        self._listen = listen
        self._now = now
        self._child: Child | None = None
        self._next_start = -inf
        self._wait_s = 0.0
        self._lost_in_a_row = 0
        self._why_lost = ""
        self._unheard: deque[tuple[int, Fact]] = deque()  # the number that the running listener knows each fact by
        self._orders: dict[str, PedalTold] = {}
        self._gone: set[str] = set()
        self._ending = False
        self.starts = 0
        self.dropped = 0
        self.hands: tuple[Hand, ...] = ()

    @property
    def link(self) -> Link | None:
        """The link to the running listener; None while there is none, or nothing more to read from it."""
        return self._child.link if self._child is not None and not self._child.link.closed else None

    @property
    def gone(self) -> bool:
        """Whether no listener process is left."""
        return self._child is None or self._child.gone

    @property
    def failed(self) -> bool:
        """Whether the last listener has not ended, or not in order."""
        return self._child is None or self._child.failed

    @property
    def unheard(self) -> tuple[Fact, ...]:
        """Facts that no listener has vouched for yet, oldest first."""
        return tuple(fact for _, fact in self._unheard)

    def post(self, fact: Fact, is_output: bool = True) -> None:
        """Give a fact to the listener's journal, now or when there is a listener.

        Args:
            fact: What happened.
            is_output: Whether a port in it is a MIDI output, and not an input of the foot's.
        """
        if is_output and isinstance(fact, PortLost):
            self._gone.add(fact.port)
        elif is_output and isinstance(fact, PortOpened):
            self._gone.discard(fact.port)
        self._unheard.append((self._child.link.send(fact) if self._child is not None else 0, fact))
        if len(self._unheard) > UNHEARD_MAX:
            self._unheard.popleft()
            self.dropped += 1

    def show(self, stands: StageStands) -> None:
        """Let the listener that runs show something; nothing is kept for the next one."""
        if self._child is not None:
            self._child.link.send(stands)

    def receive(self) -> list[Fact | EndAsked]:
        """Return what the listener wants done and told, oldest first."""
        if self._child is None:
            return []
        wanted: list[Fact | EndAsked] = []
        for message in self._child.link.receive():
            self._child.alive_at(self._now())
            if isinstance(message, Alive):
                while self._unheard and self._unheard[0][0] <= message.heard:
                    self._unheard.popleft()
            elif isinstance(message, (Fact, EndAsked)):
                if isinstance(message, PedalTold):
                    self._orders[message.pedal] = message
                wanted.append(message)
        return wanted

    def take_lost(self) -> list[Fact]:
        """Take what waits for a next one: how one was lost, for who writes it down elsewhere."""
        waiting = [fact for _, fact in self._unheard]
        self._unheard.clear()
        return waiting

    def excuse(self, now: float) -> None:
        """Forgive a silence that this process slept through itself."""
        if self._child is not None:
            self._child.excuse(now)

    def tend(self) -> None:
        """Start a listener if none runs and it is time; replace one that is lost."""
        now = self._now()
        if self._child is not None and not self._ending and (why := self._child.why_lost(now)):
            self._child.kill()
            lost, self._child = self._child, None
            if now - lost.began >= SHORT_LIFE_S:
                self._wait_s, self._lost_in_a_row = 0.0, 0
            self._lost(lost.pid, why, now)
        if self._child is None and not self._ending and now >= self._next_start:
            self._start(now)

    def ask_end(self, why: str) -> None:
        """Ask the listener to end the set; from now on none is replaced."""
        self._ending = True
        if self._child is not None:
            self._child.link.send(EndAsked(why))

    def kill(self) -> None:
        """End the listener at once, if one is left."""
        if self._child is not None:
            self._child.kill()
            self._child.wait(1.0)

    def _start(self, now: float) -> None:
        try:
            self._child = Child(self._listen, self.starts + 1, now, self._said_at_start())
        except OSError as error:
            self._lost(0, f"could not be started: {error}", now)
            return
        self.starts += 1
        self._unheard = deque((self._child.link.send(fact), fact) for _, fact in self._unheard)
        if self._gone:
            self._child.link.send(PortsGone(tuple(sorted(self._gone))))
        for order in self._orders.values():
            self._child.link.send(order)
        if self.hands:
            self._child.link.send(Standing(self.hands))

    def _said_at_start(self) -> str:
        """Return what the terminal is to know of a listener that keeps dying: one that comes up says it better."""
        if self._lost_in_a_row < 2:
            return ""
        who = "listener" if self._loss is ListenerLost else "process that hears the switches"
        return (
            f"The {who} was lost {self._lost_in_a_row} times soon after its start ({self._why_lost}); the clocks go "
            f"on. It starts again now; if it is lost once more, the next start is {self._wait_s:g} s later."
        )

    def _lost(self, pid: int, why: str, now: float) -> None:
        self._lost_in_a_row += 1
        self._why_lost = why
        if self._wait_s > 0:
            why = f"{why}; {self._lost_in_a_row} lost soon after their start, the next starts in {self._wait_s:g} s"
        self.post(self._loss(at=now, pid=pid, why=why))
        self._next_start = now + self._wait_s
        self._wait_s = min(max(1.0, 2.0 * self._wait_s), LONGEST_WAIT_S)


def as_child() -> None:
    """Leave the signals to the sender, which ends its children in order; to be called first in a new process."""
    for number in ENDING + STOPPING:
        signal.signal(number, signal.SIG_IGN)
    if sys.platform != "win32":
        signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDING)
    as_usual()


def _listen(target: str, link: Link, start: int, args: tuple[Any, ...], said: str) -> None:
    as_child()
    if said:  # beside the start, since a terminal may take nothing for as long as it likes
        threading.Thread(target=_tell, args=(said,), daemon=True).start()
    module, _, function = target.partition(":")
    getattr(importlib.import_module(module), function)(link, start, *args)


def _tell(said: str) -> None:
    with suppress(OSError):
        os.write(2, f"{said}\n".encode(errors="replace"))


@contextmanager
def signals_held() -> Iterator[None]:
    """Let a new process begin with these signals blocked, so that none ends it before it can ignore them."""
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, ENDING)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def signals_noted() -> Iterator[list[str]]:
    """Turn the signals that end a process into names in a list, which is yielded; undo it at the end.

    Ctrl-Z is ignored. A hang-up that was ignored already, as nohup does, stays ignored.
    """
    asked: list[str] = []

    def note(number: int, _: FrameType | None) -> None:
        asked.append("Ctrl-C" if number == signal.SIGINT else signal.Signals(number).name)

    hang_up = getattr(signal, "SIGHUP", None)
    noted = [number for number in ENDING if number != hang_up or signal.getsignal(number) != signal.SIG_IGN]
    before = {number: signal.signal(number, note) for number in noted}
    before |= {number: signal.signal(number, signal.SIG_IGN) for number in STOPPING}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
