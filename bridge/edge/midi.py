"""MIDI outputs: found by name, opened, and kept open through pulled cables and systems that come late."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Protocol

import rtmidi

from bridge.edge.jack_watch import JackWatch
from bridge.errors import DeviceError
from bridge.events import Fact, PortLost, PortOpened

RETRY_S = 1.0
"""Time between two looks for ports that are absent, in seconds."""

LOOK_S = 0.25
"""Time between two looks at ports that are open, in seconds."""

QUEUE_MAX = 100
"""Messages that a port queues up while the JACK server takes none: those of 0.6 s at the fastest clock."""

CLIENT_NAME = "Tape Bridge"
"""What other programs see as the owner of our ports."""

APIS: dict[str, int] = {
    "alsa": rtmidi.API_LINUX_ALSA,
    "jack": rtmidi.API_UNIX_JACK,
    "coremidi": rtmidi.API_MACOSX_CORE,
    "windows": rtmidi.API_WINDOWS_MM,
}
"""A rig's names of the MIDI systems."""


class OutPort(Protocol):
    """An open MIDI output. Its methods raise OSError where the system fails; `send` BlockingIOError where it stalls.

    Attributes:
        found: The full name that the system gives it.
    """

    found: str

    def send(self, data: bytes) -> None:
        """Send one MIDI message at once."""

    def present(self) -> bool:
        """Return whether it is still plugged in."""

    def close(self) -> None:
        """End it; closing twice changes nothing."""


def matching_output(name: str, outputs: Sequence[str]) -> int:
    """Return the index of the output that a rig means by ``name``: exactly so called, else the only one with it in it.

    Letter case counts for the exact name only.

    Raises:
        DeviceError: None matches, or several.
    """
    exact = [index for index, output in enumerate(outputs) if output == name]
    found = exact or [index for index, output in enumerate(outputs) if name.casefold() in output.casefold()]
    if len(found) == 1:
        return found[0]
    if found:
        candidates = ", ".join(f'"{outputs[index]}"' for index in found)
        raise DeviceError(f'"{name}" matches {len(found)} MIDI outputs: {candidates}. Name one of them in full.')
    present = ", ".join(f'"{output}"' for output in outputs) or "none"
    raise DeviceError(
        f'"{name}" matches no MIDI output. Present now: {present}. Plug it in, or list the ports: tapebridge ports'
    )


def outputs(api: str | None = None) -> list[str]:
    """Return the full names of the MIDI outputs that are plugged in now.

    Raises:
        DeviceError: The MIDI system is not compiled in, or does not work here.
    """
    client = _new_client(api)
    try:
        return list(client.get_ports())
    finally:
        client.delete()


class MidiSystem:
    """Opens ports of this machine's MIDI system; to be closed after its ports.

    Each port has a client of its own, made when it is first asked for and kept from then on: making one takes up to
    25 ms on JACK (measured) and holds the interpreter's lock, which the clocks of other ports would hear; listing
    takes 0.02 to 0.4 ms and opening about 5 ms.

    On JACK a named port is there as long as it is connected: one that went and came back between two looks, or was
    disconnected by hand, is opened again. When the server ends, all ports are lost, and the next server is found.
    Other systems do not tell RtMidi what is connected: there a port counts as there while its full name is listed, so
    one that goes and comes back under that name between two looks is missed.

    Args:
        api: "alsa", "jack", "coremidi" or "windows"; None for the first that works.
        virtual: Names of the output ports to make instead of to look for.
    """

    def __init__(self, api: str | None = None, virtual: Sequence[str] = ()) -> None:
        self._api = api
        self._virtual = frozenset(virtual)
        self._clients: dict[str, rtmidi.MidiOut] = {}
        self._watch: JackWatch | None = None

    def open(self, name: str) -> OutPort:
        """Open the output that a rig calls ``name``, or make it if it is a virtual one.

        Raises:
            DeviceError: The system does not work, the port is absent or ambiguous, or the system refuses it.
        """
        if self._watch is not None and not self._watch.serves:
            self.close()  # libjack finds no new server while a client of the old one is left
        client = self._clients.get(name) or self._new_client(name)
        try:
            if name in self._virtual:
                client.open_virtual_port(name)
                return _RtMidiPort(client, self._watch, name, f"{CLIENT_NAME}:{name}", virtual=True)
            present = client.get_ports()
            index = matching_output(name, present)
            client.open_port(index, name)
            return _RtMidiPort(client, self._watch, name, present[index], virtual=False)
        except (OSError, rtmidi.RtMidiError, NotImplementedError) as error:
            client.close_port()
            raise DeviceError(f'The MIDI output "{name}" cannot be opened: {_said(error)}.') from error

    def close(self) -> None:
        """Give up all clients, and with them all ports."""
        for client in self._clients.values():
            client.delete()
        self._clients.clear()
        if self._watch is not None:
            self._watch.close()
            self._watch = None

    def _new_client(self, name: str) -> rtmidi.MidiOut:
        client = self._clients[name] = _new_client(self._api)
        if self._watch is None and client.get_current_api() == rtmidi.API_UNIX_JACK:
            with suppress(OSError):  # an RtMidi that brings no libjack: ports go by their names, as elsewhere
                self._watch = JackWatch()
        return client


class _RtMidiPort:
    def __init__(
        self, client: rtmidi.MidiOut, watch: JackWatch | None, name: str, found: str, *, virtual: bool
    ) -> None:
        self.found = found
        self._client = client
        self._watch = watch
        self._name = name
        self._virtual = virtual
        self._frame = -1
        self._queued = 0

    def send(self, data: bytes) -> None:
        # a server that is gone or stands still does not empty RtMidi's queue: sending waits for ever once it is full
        if self._watch is not None:
            self._watch.demand_server()
            frame = self._watch.frame
            self._queued = self._queued + 1 if frame == self._frame else 1
            self._frame = frame
            if self._queued > QUEUE_MAX:
                raise BlockingIOError("the JACK server stands still")
        try:
            self._client.send_message(data)
        except rtmidi.RtMidiError as error:
            raise OSError(_said(error)) from error

    def present(self) -> bool:
        if self._watch is None:
            return self._virtual or self.found in self._client.get_ports()
        self._watch.demand_server()
        return self._virtual or self._watch.connects(CLIENT_NAME, self._name, self.found)

    def close(self) -> None:
        if not self._client.is_deleted:
            self._client.close_port()


class PortSet:
    """The MIDI outputs of a rig, of which some may be absent at times.

    Nothing here raises: a port that is absent or fails is told once as PortLost, looked for at once and then every
    second, and told as PortOpened when it is there. What is sent to it meanwhile goes nowhere. Why it is lost begins
    with "not ready: " where it could not be opened. Where the system stalls, a port stays open and is told as
    PortOpened as soon as it takes something again.

    Args:
        names: The ports as the rig names them; opened at once.
        open_port: Opens one by its name or raises DeviceError, such as `MidiSystem.open`.
        now: Tells the host time in seconds.
    """

    def __init__(self, names: Sequence[str], open_port: Callable[[str], OutPort], now: Callable[[], float]) -> None:
        self._open_port = open_port
        self._now = now
        self._open: dict[str, OutPort | None] = dict.fromkeys(names)
        self._told_lost: set[str] = set()
        self._facts: list[Fact] = []
        self._next_look = self._next_try = now()
        self.tend()

    def send(self, port: str, data: bytes) -> bool:
        """Send one MIDI message to a port; return whether the system took it."""
        output = self._open[port]
        if output is None:
            return False
        try:
            output.send(data)
        except BlockingIOError as error:  # kept open: closing waits for the system, too
            self._tell_lost(port, _said(error))
            return False
        except OSError as error:
            self._lose(port, output, _said(error))
            return False
        if port in self._told_lost:
            self._tell_opened(port, output)
        return True

    def tend(self) -> None:
        """Look whether open ports are still there, and absent ones have come; return at once if it is not time."""
        now = self._now()
        if now < self._next_look:
            return
        self._next_look = now + LOOK_S
        for port, output in self._open.items():
            if output is not None and (why := _why_gone(output)):
                self._lose(port, output, why)
        if now < self._next_try:
            return
        self._next_try = now + RETRY_S
        for port, output in self._open.items():
            if output is None:
                self._try_to_open(port)

    def take_facts(self) -> list[Fact]:
        """Return what happened to the ports since the last call, oldest first."""
        facts, self._facts = self._facts, []
        return facts

    def close(self) -> None:
        """Close all ports."""
        for port, output in self._open.items():
            if output is not None:
                self._open[port] = None
                _close(output)

    def _try_to_open(self, port: str) -> None:
        try:
            output = self._open_port(port)
        except DeviceError as error:
            self._tell_lost(port, f"not ready: {error}")
            return
        self._open[port] = output
        self._tell_opened(port, output)

    def _tell_opened(self, port: str, output: OutPort) -> None:
        self._told_lost.discard(port)
        self._facts.append(PortOpened(at=self._now(), port=port, found=output.found))

    def _lose(self, port: str, output: OutPort, why: str) -> None:
        self._open[port] = None
        _close(output)
        self._tell_lost(port, why)
        self._next_try = self._now()

    def _tell_lost(self, port: str, why: str) -> None:
        if port not in self._told_lost:
            self._told_lost.add(port)
            self._facts.append(PortLost(at=self._now(), port=port, why=why))


def _why_gone(output: OutPort) -> str:
    """Return why an open port is no use any more; empty if it is."""
    try:
        return "" if output.present() else f'"{output.found}" was unplugged, or its connection was lost'
    except OSError as error:
        return _said(error)


def _close(output: OutPort) -> None:
    with suppress(OSError):  # it is being given up: what the system says of a dead port helps nobody
        output.close()


def _new_client(api: str | None) -> rtmidi.MidiOut:
    compiled = rtmidi.get_compiled_api()
    if api is None:
        wanted = [number for number in APIS.values() if number in compiled]
    elif api in APIS:
        wanted = [APIS[api]] if APIS[api] in compiled else []
    else:
        raise DeviceError(f'There is no MIDI system called "{api}". Known: {", ".join(APIS)}.')
    failures = []
    for number in wanted:
        try:
            with _quiet_stderr():
                return rtmidi.MidiOut(number, CLIENT_NAME)
        except OSError as error:  # RtMidi's SystemError is one
            failures.append(f"{rtmidi.get_api_display_name(number)}: {_said(error)}")
    system = f'The MIDI system "{api}"' if api is not None else "No MIDI system"
    found = "; ".join(failures) or "not compiled into python-rtmidi for this machine"
    negation = "does not work here" if api is not None else "works here"
    raise DeviceError(f"{system} {negation} ({found}). Start or plug in one, or choose another under [midi] api.")


def _said(error: Exception) -> str:
    return str(error).rstrip(". ") or type(error).__name__


@contextmanager
def _quiet_stderr() -> Iterator[None]:
    """Keep libasound and libjack from writing on the terminal what the refusal says better."""
    try:
        saved = os.dup(2)
    except OSError:  # there is no stderr to keep quiet
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(saved, 2)
        os.close(saved)
        os.close(nowhere)
