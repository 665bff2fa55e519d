"""The MIDI inputs of a rig's switches: opened when they are there, taken in again when they come back."""

from __future__ import annotations

import re
import select
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from math import inf
from typing import Protocol

import rtmidi

from bridge.edge.jack_watch import JackWatch
from bridge.edge.midi import CLIENT_NAME, end_client
from bridge.edge.midi_in import matching_input, new_input
from bridge.edge.port_set import said
from bridge.errors import DeviceError
from bridge.events import Fact, PortLost, PortOpened
from bridge.foot.stamps import Stamps

RETRY_S = 1.0
"""How often it is looked whether an input came or went, in seconds."""

WAITING_MAX = 1024
"""Messages that may wait to be read; while so many wait, further ones are dropped and counted."""

POLL_S = 0.002
"""How often open inputs are looked at, in seconds. A callback would come in the driver's own thread, where Python has
no place: on JACK it can hold up everybody's sound, and an input that is closed meanwhile waits for it for ever."""

_OURS = re.compile(rf"{re.escape(CLIENT_NAME)}(-\d+)?:")
"""Inputs that are our own outputs, as JACK and ALSA name them: no switch is meant by these."""

REAL_TIME = 0xF8
"""First of the status bytes of one byte that may come at any time: clock, active sensing and their like."""


class HasFileno(Protocol):
    """What `select` waits for."""

    def fileno(self) -> int:
        """Return its number."""


@dataclass(frozen=True, slots=True)
class FootMessage:
    """One message that came in.

    Attributes:
        at: Host time in seconds at which it came, by the driver's stamps where it has some.
        port: The input as the rig names it.
        data: The message.
    """

    at: float
    port: str
    data: bytes


@dataclass(frozen=True, slots=True)
class _Input:
    found: str
    client: rtmidi.MidiIn
    stamps: Stamps


class FootMidi:
    """Inputs by the names that a rig has for them. Use `wait` and `tend` in turn, and `close` at the end.

    The driver queues messages as they come. On JACK an input is there as long as it is connected. Other systems do not
    tell it: there one that was pulled and plugged in again under its name between two looks is missed, and nothing
    more comes from it.

    Args:
        names: What the rig's switches call the inputs.
        api: "alsa", "jack", "coremidi" or "windows"; None for the first that works.
        now: Tells the host time in seconds.

    Attributes:
        dropped: Messages that found the queue full.
    """

    def __init__(self, names: Iterable[str], api: str | None, now: Callable[[], float]) -> None:
        self._api = api
        self._now = now
        self._looker: rtmidi.MidiIn | None = None
        self._watch: JackWatch | None = None
        self._open: dict[str, _Input] = {}
        self._absent = dict.fromkeys(names, "")  # and what was told about it
        self._came: deque[FootMessage] = deque()
        self._next_look = -inf
        self.dropped = 0

    def next_due(self) -> float:
        """Return when to look again, in host seconds; inf for never."""
        return self._next_look if self._open or self._absent else inf

    def tend(self) -> list[Fact]:
        """Look for inputs that came or went, if it is time; return what there is to tell."""
        now = self._now()
        if now < self.next_due():
            return []
        self._next_look = now + RETRY_S
        try:
            present, trouble = self._present(), ""
        except (OSError, rtmidi.RtMidiError, DeviceError) as error:
            self._give_up_looking()
            present, trouble = [], said(error)
        facts: list[Fact] = []
        for name, opened in list(self._open.items()):
            if trouble or not self._is_there(name, opened.found, present):
                _delete(opened.client)
                del self._open[name]
                self._absent[name] = why = trouble or f'"{opened.found}" was unplugged, or its connection was lost'
                facts.append(PortLost(at=now, port=name, why=why))
        for name in list(self._absent):
            facts += self._try(name, present, trouble, now)
        return facts

    def wait(self, readable: Sequence[HasFileno], writable: Sequence[HasFileno], longest_s: float) -> None:
        """Wait until a message came, or something else can be read or written, but no longer than so many seconds."""
        until = self._now() + longest_s
        while not self._look_in():
            left_s = max(0.0, until - self._now())
            if _ready(readable, writable, min(left_s, POLL_S) if self._open else left_s) or left_s <= POLL_S:
                return

    def take(self) -> list[FootMessage]:
        """Return what came since the last call, each input's oldest first."""
        self._look_in()
        return [self._came.popleft() for _ in range(len(self._came))]

    def close(self) -> None:
        """Close all inputs."""
        for opened in self._open.values():
            _delete(opened.client)
        self._open.clear()
        self._give_up_looking()

    def _present(self) -> list[str]:
        if self._watch is not None:
            self._watch.demand_server()  # libjack finds no new server while a client of the old one is left
        if self._looker is None:
            self._looker = new_input(self._api)
            if self._looker.get_current_api() == rtmidi.API_UNIX_JACK:
                with suppress(OSError):  # an RtMidi that brings no libjack: inputs go by their names, as elsewhere
                    self._watch = JackWatch()
        return [name for name in self._looker.get_ports() if not _OURS.match(name)]

    def _is_there(self, name: str, found: str, present: list[str]) -> bool:
        return found in present and (self._watch is None or self._watch.connects(f"{CLIENT_NAME} foot", name, found))

    def _try(self, name: str, present: list[str], trouble: str, now: float) -> list[Fact]:
        try:
            if trouble:
                raise DeviceError(trouble)
            found = present[matching_input(name, present)]
            self._open[name] = _Input(found, self._opened(name, found), Stamps())
        except (OSError, rtmidi.RtMidiError, DeviceError) as error:
            if self._absent[name]:
                return []
            self._absent[name] = said(error)
            return [PortLost(at=now, port=name, why=said(error))]
        del self._absent[name]
        return [PortOpened(at=now, port=name, found=found)]

    def _opened(self, name: str, found: str) -> rtmidi.MidiIn:
        client = new_input(self._api, queue=2 * WAITING_MAX)
        try:
            # the driver's intervals are between all messages: one that it would leave out takes its interval along
            client.ignore_types(sysex=False, timing=False, active_sense=False)
            client.open_port(client.get_ports().index(found), name)
        except ValueError:
            _delete(client)
            raise DeviceError(f'"{found}" has just gone') from None
        except BaseException:
            _delete(client)
            raise
        return client

    def _look_in(self) -> bool:
        """Take over what the drivers have; return whether anything waits to be taken."""
        for name, opened in self._open.items():
            while (event := opened.client.get_message()) is not None:
                at = opened.stamps.at(self._now(), event[1])
                data = bytes(event[0])
                if data and data[0] < REAL_TIME:
                    if len(self._came) < WAITING_MAX:
                        self._came.append(FootMessage(at, name, data))
                    else:
                        self.dropped += 1
        return bool(self._came)

    def _give_up_looking(self) -> None:
        if self._looker is not None:
            _delete(self._looker)
            self._looker = None
        if self._watch is not None:
            self._watch.close()
            self._watch = None


def _ready(readable: Sequence[HasFileno], writable: Sequence[HasFileno], longest_s: float) -> bool:
    if readable or writable:
        return any(select.select(readable, writable, [], longest_s))
    time.sleep(longest_s)  # Windows does not wait for nothing
    return False


def _delete(client: rtmidi.MidiIn) -> None:
    with suppress(OSError, rtmidi.RtMidiError):
        end_client(client)
