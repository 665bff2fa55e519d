"""The process of one MIDI output: sends what the sender hands over when it is due, and ends what is held."""

from __future__ import annotations

import json
import os
import select
import socket
import struct
import time
from bisect import insort
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, suppress
from itertools import accumulate, pairwise
from math import inf
from operator import attrgetter
from typing import NamedTuple

from bridge.edge.child import as_child
from bridge.edge.host_clock import SPIN_S, now
from bridge.edge.port_set import PortSet, PortSystem
from bridge.edge.priority import on_time
from bridge.events import Fact, PortOpened, TicksDropped
from bridge.events_sent import MessageLeftOut
from bridge.records import as_record

CLOCK = b"\xf8"
"""Source: MIDI 1.0 Detailed Specification, Timing Clock."""

TURN_S = 0.25
"""Longest wait of a port's process, in seconds; it gives a sign of life each time."""

SLACK_S = 0.006
"""Looking after the port waits for so much time before the next message, in seconds."""

AGAIN = 3
AGAIN_S = 0.07
"""Where the system may lose it, what was held when the sender vanished is ended so many times more, so far apart in
seconds. To end is absolute, so once more does no harm."""

UNDO_S = 1.0
"""So long a port's process tries to end what is held once the sender is gone, in seconds."""

HEADER = struct.Struct("<dddHHH")
"""A message on its way: when it is due, until when it may go out, by when it is to be undone, and the lengths of its
bytes, of its undoing, and of an earlier undoing that it settles."""


_let_others: Callable[[], object] = getattr(os, "sched_yield", lambda: None)
"""Lets ports whose messages are due at the same instant have this core, before the rest of a turn is done."""


class Handed(NamedTuple):
    """A message, as it was handed over; times are host times in seconds."""

    at: float
    until: float
    undo_at: float
    data: bytes
    undo: bytes
    settles: bytes


def serve(connection: socket.socket, name: str, system: Callable[[], PortSystem]) -> None:
    """Be the process of one port until the sender closes the connection, or is gone."""
    as_child()
    with (
        on_time(),
        closing(connection),
        closing(system()) as opener,
        closing(PortSet([name], opener.open, now)) as ports,
    ):
        _Hand(connection, name, ports, opener).run()


class _Hand:
    """The far side: sends to its one port what is handed over, when it is due."""

    def __init__(self, connection: socket.socket, name: str, ports: PortSet, system: PortSystem) -> None:
        connection.setblocking(False)
        self._socket = connection
        self._name = name
        self._ports = ports
        self._system = system
        self._incoming = b""
        self._due: list[Handed] = []  # by the time when they are due
        self._held: dict[bytes, float] = {}  # what ends what was begun and is not ended yet, and by when
        self._tend_at = -inf

    def run(self) -> None:
        """Send until the sender is gone; then end what is held."""
        there = True
        while there:
            self._look_after()
            next_at = self._due[0].at if self._due else inf
            longest_s = min(next_at - SPIN_S, self._tend_at, *self._held.values()) - now()
            came, _, _ = select.select([self._socket], [], [], max(0.0, longest_s))
            self._send_due()  # first of all: other ports may wait for this core
            there = not came or self._receive()
            self._undo(now())
        self._finish()

    def _finish(self) -> None:
        """Send what was handed over a little ahead of its time, but close no more contacts; then end what is held."""
        self._due = [handed for handed in self._due if not handed.undo]
        give_up = now() + UNDO_S
        while self._due and self._due[0].at < give_up:
            time.sleep(max(0.0, self._due[0].at - SPIN_S - now()))
            self._send_due()
        held = list(self._held)
        self._undo()
        while self._held and now() < give_up:  # the port, or its system, stands still or is away for a moment
            time.sleep(UNDO_S / 100)
            self._ports.tend()
            self._undo()
        for _ in range(AGAIN if held and self._system.may_lose else 0):
            time.sleep(AGAIN_S)
            for data in held:
                self._ports.send(self._name, data)

    def _send_due(self) -> None:
        dropped, late = 0, list[Fact]()
        while self._due and self._due[0].at - SPIN_S <= now():
            handed = self._due.pop(0)
            while (at := now()) < handed.at:
                pass
            if at > handed.until and handed.data == CLOCK:
                dropped += 1
            elif at > handed.until:
                late.append(MessageLeftOut(at=at, port=self._name, data=handed.data.hex()))
            elif not handed.data or self._sent(handed.data):
                self._held.pop(handed.data, None)
                self._held.pop(handed.settles, None)
                if handed.undo:
                    self._held[handed.undo] = handed.undo_at
        if dropped:
            late.append(TicksDropped(at=now(), port=self._name, count=dropped))
        if late:
            self._tell(late)

    def _sent(self, data: bytes) -> bool:
        sent = self._ports.send(self._name, data)
        _let_others()
        return sent

    def _receive(self) -> bool:
        """Take in all that was handed over; return whether the sender is still there."""
        with suppress(BlockingIOError):
            while True:
                try:
                    data = self._socket.recv(65536)
                except ConnectionError:
                    return False
                if not data:
                    return False
                self._incoming += data
                for handed in self._unpacked():
                    insort(self._due, handed, key=attrgetter("at"))
        return True

    def _unpacked(self) -> Iterator[Handed]:
        while len(self._incoming) >= HEADER.size:
            at, until, undo_at, data, undo, settles = HEADER.unpack_from(self._incoming)
            ends = list(accumulate((HEADER.size, data, undo, settles)))
            if len(self._incoming) < ends[-1]:
                return
            parts = [self._incoming[first:end] for first, end in pairwise(ends)]
            self._incoming = self._incoming[ends[-1] :]
            yield Handed(at, until, undo_at, *parts)

    def _look_after(self) -> None:
        at = now()
        if at < self._tend_at or (self._due and self._due[0].at < at + SLACK_S):
            return
        self._ports.tend()
        self._tend_at = now() + TURN_S
        facts = self._ports.take_facts()
        if any(isinstance(fact, PortOpened) for fact in facts):
            self._undo()
        self._tell(facts)

    def _tell(self, facts: Sequence[Fact]) -> None:
        """Say what happened; without a fact it is a sign of life."""
        lines = b"".join(json.dumps(as_record(fact), separators=(",", ":")).encode() + b"\n" for fact in facts)
        with suppress(OSError):  # the sender reads ten times a second: a full buffer means that it stands still
            self._socket.send(lines or b"\n")

    def _undo(self, by: float = inf) -> None:
        """End what is to be ended by a host time in seconds."""
        for data in [data for data, at in self._held.items() if at <= by]:
            if self._ports.send(self._name, data):
                del self._held[data]
            else:
                self._held[data] = inf  # when the port is back
