"""Each MIDI output in a process of its own, so that one whose driver blocks delays no other.

A thread would not do: RtMidi keeps Python's lock while it sends, opens and closes (seen here: a thread that sends into
a full queue of JACK stops every other thread), and so does a close that waits for a dead server. The sender hands each
message over a little before it is due, and the port's own process waits for the instant: what delays the sender for
less than that is not heard either.
"""

from __future__ import annotations

import json
import multiprocessing
import signal
import socket
from collections.abc import Callable, Sequence
from dataclasses import replace
from math import inf

from bridge.edge.child import signals_held
from bridge.edge.port_hand import CLOCK, HEADER, TURN_S, serve
from bridge.edge.port_set import PortSystem
from bridge.edge.priority import hurry
from bridge.events import Fact, PortLost, PortOpened
from bridge.records import from_record

LEAD_S = 0.005
"""Messages are handed to a port's process so long before they are due, in seconds."""

PATIENCE_S = 1.0
"""A port whose process has been silent for so long, in seconds, stands still: it is told as lost."""

KILL_S = 3.0
"""After so long, in seconds, the process is given up, and another one tries."""

START_PATIENCE_S = 15.0
"""The same for its first sign of life."""

RETRY_S = 1.0
"""Time until another process is started for a port, in seconds."""

FIRST_LATE_S = 0.003
"""How late a clock's first tick may go out, in seconds; later ones may be late by half an interval."""

END_S = 2.0
"""Time that the processes have for ending, in seconds; then they are killed."""


class PortProcesses:
    """The MIDI outputs of a rig, each in a process of its own; has the methods of `PortSet`, and waits for none.

    Args:
        names: The ports as the rig names them.
        system: Called in each process, gives what opens its port; picklable.
        now: Tells the host time in seconds.

    Attributes:
        lead_s: How long before it is due a message is to be handed over, in seconds.
    """

    lead_s = LEAD_S

    def __init__(self, names: Sequence[str], system: Callable[[], PortSystem], now: Callable[[], float]) -> None:
        self._now = now
        self._ports = {name: _Port(name, system, now) for name in names}
        self._tended_at = now()
        self.tend()

    def send(
        self,
        port: str,
        data: bytes,
        at: float,
        undo: bytes = b"",
        until: float = inf,
        undo_at: float = inf,
        settles: bytes = b"",
    ) -> bool:
        """Hand a message to a port; return whether the port is open and takes it.

        Args:
            port: The port's name as the rig has it.
            data: One MIDI message, several that belong together, or one OSC packet; empty to change only what is to be
                undone.
            at: When it is due. A tick that is late by half an interval is dropped, and told as TicksDropped.
            undo: What ends it: sent by the port's process if this one vanishes before it has sent that itself.
            until: When it is too late for it.
            undo_at: When the port's process sends ``undo`` by itself, if that has not come; this one may stand still.
            settles: The ``undo`` of an earlier message that is needed no more once this one is sent.
        """
        return self._ports[port].send(data, at, undo, until, undo_at, settles)

    def tend(self) -> None:
        """Take in what the processes say, and replace those that are lost."""
        now = self._now()
        slept_s = now - self._tended_at
        self._tended_at = now
        for port in self._ports.values():
            port.tend(now, slept_s)

    def take_facts(self) -> list[Fact]:
        """Return what happened to the ports since the last call."""
        return [fact for port in self._ports.values() for fact in port.take_facts()]

    def close(self) -> None:
        """End all processes; one that does not end within 2 s is killed."""
        for port in self._ports.values():
            port.ask_end()
        give_up = self._now() + END_S
        for port in self._ports.values():
            port.end(max(0.0, give_up - self._now()))


class _Port:
    """The sender's side of one port."""

    def __init__(self, name: str, system: Callable[[], PortSystem], now: Callable[[], float]) -> None:
        self._name = name
        self._system = system
        self._now = now
        self._process: multiprocessing.process.BaseProcess | None = None
        self._socket: socket.socket | None = None
        self._incoming = b""
        self._facts: list[Fact] = []
        self._open: PortOpened | None = None  # what the process said of the port
        self._told_lost = False
        self._still = False  # silent for too long
        self._is_new = True  # no port was open yet in this process
        self._heard_at = -inf
        self._next_start = -inf
        self._ticks = (-inf, inf)  # when the last one was due, and the interval before it
        self._held: dict[bytes, None] = {}

    def send(
        self,
        data: bytes,
        at: float,
        undo: bytes = b"",
        until: float = inf,
        undo_at: float = inf,
        settles: bytes = b"",
    ) -> bool:
        if self._open is None or self._still or self._socket is None:
            return False
        until = min(until, self._until(data, at))
        frame = HEADER.pack(at, until, undo_at, len(data), len(undo), len(settles)) + data + undo + settles
        try:
            whole = self._socket.send(frame) == len(frame)
        except BlockingIOError:
            return False
        except OSError:
            whole = False
        if not whole:  # half a message makes nonsense of all that follow: another process has to take over
            self.ask_end()
            return False
        self._held.pop(data, None)
        self._held.pop(settles, None)
        if undo:
            self._held[undo] = None
        return True

    def _until(self, data: bytes, at: float) -> float:
        """Return until when a message may go out: a tick as late as half the shorter of the last two intervals."""
        if data != CLOCK:
            return inf
        last, before = self._ticks
        interval = at - last
        self._ticks = at, interval
        shorter = min(interval, before)
        return at + (shorter / 2 if 0 < shorter < inf else FIRST_LATE_S)

    def tend(self, now: float, slept_s: float) -> None:
        self._heard_at += max(0.0, slept_s - TURN_S)  # a silence that this process slept through is none of the port's
        self._receive(now)
        if self._process is not None and (why := self._why_lost(now)):
            self._drop()
            self._lose(why)
            self._next_start = now + RETRY_S
        elif self._open is not None and not self._still and now - self._heard_at > PATIENCE_S:
            self._still = True
            self._lose("its driver stands still")
        if self._process is None and now >= self._next_start:
            self._start(now)

    def take_facts(self) -> list[Fact]:
        facts, self._facts = self._facts, []
        return facts

    def ask_end(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def end(self, longest_s: float) -> None:
        if self._process is not None:
            self._process.join(longest_s)
            self._drop()

    def _start(self, now: float) -> None:
        ours, theirs = socket.socketpair()
        ours.setblocking(False)
        process = multiprocessing.get_context("spawn").Process(
            target=serve, args=(theirs, self._name, self._system), name=f"port {self._name}"
        )
        try:
            with signals_held():
                process.start()
        except OSError as error:
            ours.close()
            self._lose(f"not ready: no process can be started for it: {error}")
            self._next_start = now + RETRY_S
            return
        finally:
            theirs.close()
        hurry(process.pid or 0)
        self._process, self._socket = process, ours
        self._incoming, self._still, self._is_new = b"", False, True
        self._heard_at = now + START_PATIENCE_S - KILL_S

    def _receive(self, now: float) -> None:
        while self._socket is not None:
            try:
                data = self._socket.recv(65536)
            except OSError:  # nothing more for now, or a process that is gone: its exit code says it better
                return
            if not data:
                return
            self._heard_at = now
            *lines, self._incoming = (self._incoming + data).split(b"\n")
            for line in filter(None, lines):
                self._take(from_record(json.loads(line)))
            if self._still and self._open is not None:
                self._still = False
                self._tell_opened(replace(self._open, at=now))

    def _take(self, fact: Fact) -> None:
        if isinstance(fact, PortOpened):
            self._open, self._still = fact, False
            self._tell_opened(fact)
            if self._is_new:  # the one before it was lost, perhaps with a contact closed
                self._is_new = False
                for undo in list(self._held):
                    self.send(undo, self._now())
        elif isinstance(fact, PortLost):
            self._open = None
            self._lose(fact.why)
        else:
            self._facts.append(fact)

    def _why_lost(self, now: float) -> str:
        assert self._process is not None
        code = self._process.exitcode
        if code is not None:
            how = f"was killed by {signal.Signals(-code).name}" if code < 0 else f"exited with code {code}"
            return f"its process {how}"
        if self._socket is None:
            return "its process took no more"
        return "its driver stands still" if now - self._heard_at > KILL_S else ""

    def _drop(self) -> None:
        """Give up the process at once."""
        assert self._process is not None
        self.ask_end()
        if self._process.exitcode is None:
            self._process.kill()
        self._process, self._open, self._still = None, None, False

    def _tell_opened(self, fact: PortOpened) -> None:
        self._told_lost = False
        self._facts.append(fact)

    def _lose(self, why: str) -> None:
        if not self._told_lost:
            self._told_lost = True
            self._facts.append(PortLost(at=self._now(), port=self._name, why=why))
