"""MIDI outputs of this machine: found by name and opened."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from math import inf
from pathlib import Path

import rtmidi

from bridge.edge.host_clock import now
from bridge.edge.jack_watch import NOTICES_S, JackWatch, await_notices
from bridge.edge.plugged import Place, connects, place_of
from bridge.edge.port_lock import PortLock, refuse_taken
from bridge.edge.port_set import OutPort, said
from bridge.errors import DeviceError

STALL_TURNS, STALL_S = 1.5, 0.003
"""A JACK server whose turn lasts longer than so many turns and seconds stands still, and is sent no more.

Whatever it was sent would come out at once when it goes on: a burst.
"""

DATA_BYTES = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2, 0xF1: 1, 0xF2: 2, 0xF3: 1}
"""Bytes that follow a status byte, by its first half or as a whole; none follow the others but System Exclusive."""

CONNECTS_S = 0.5
"""A port that was opened on JACK is seen as connected only with one of the next turns: until so many seconds after it
was opened it needs only to be listed."""

DRAIN_S, DRAIN_TURNS = 0.1, 3.0
"""A port is closed no sooner after its last message, in seconds and in turns of JACK: RtMidi would lose it."""

SEQUENCER = Path("/proc/asound/seq/clients")
"""Where ALSA tells who is connected with whom."""

CLIENT_NAME = "Tape Bridge"
"""What other programs see as the owner of our ports."""

APIS: dict[str, int] = {
    "alsa": rtmidi.API_LINUX_ALSA,
    "jack": rtmidi.API_UNIX_JACK,
    "coremidi": rtmidi.API_MACOSX_CORE,
    "windows": rtmidi.API_WINDOWS_MM,
}
"""A rig's names of the MIDI systems."""


def matching_output(name: str, outputs: Sequence[str], place: Callable[[str], Place] = place_of) -> int:
    """Return the index of the output that a rig means by ``name``.

    It is the one exactly so called, else the only one with ``name`` in it, else the one with that path or serial
    number, else, where ``name`` ends in " #2", the second of those that match what stands before. Letter case counts
    for the exact name only.

    Args:
        name: What the rig says.
        outputs: Full names of what is plugged in.
        place: Tells where an output is plugged in.

    Raises:
        DeviceError: None matches, or several.
    """
    found = meant_ports(name, outputs, place)
    if len(found) == 1:
        return found[0]
    if found:
        candidates = ", ".join(described(outputs[index], place) for index in found)
        raise DeviceError(
            f'"{name}" matches {len(found)} MIDI outputs: {candidates}. Name one of them in full, or by its path or '
            f'serial number; or find out which is which: tapebridge ports --blink "{name}"'
        )
    present = ", ".join(described(output, place) for output in outputs) or "none"
    raise DeviceError(
        f'"{name}" matches no MIDI output. Present now: {present}. Plug it in, or list the ports: tapebridge ports'
    )


def meant_ports(name: str, ports: Sequence[str], place: Callable[[str], Place] = place_of) -> list[int]:
    """Return the indices of all ports that ``name`` may mean, by the rules of `matching_output`."""
    found = _named(name, ports)
    if not found:
        found = [index for index, port in enumerate(ports) if name in _of_place(place(port))]
    numbered = re.fullmatch(r"(.*\S) #(\d+)", name)
    if not found and numbered is not None:
        found = _named(numbered[1], ports)[int(numbered[2]) - 1 :][:1] if int(numbered[2]) else []
    return found


def all_matching(name: str, outputs: Sequence[str]) -> list[int]:
    """Return the indices of all outputs that a rig may mean by ``name``: what `matching_output` asks to choose from.

    Raises:
        DeviceError: None matches.
    """
    return _named(name, outputs) or [matching_output(name, outputs)]


def _named(name: str, outputs: Sequence[str]) -> list[int]:
    exact = [index for index, output in enumerate(outputs) if output == name]
    return exact or [index for index, output in enumerate(outputs) if name.casefold() in output.casefold()]


def _of_place(place: Place) -> list[str]:
    return [word for word in (place.path, place.serial) if word]


def described(port: str, place: Callable[[str], Place] = place_of) -> str:
    """Return a port's name in quotes, with where it is plugged in if the system tells."""
    where = str(place(port))
    return f'"{port}" ({where})' if where else f'"{port}"'


def outputs(api: str | None = None) -> list[str]:
    """Return the full names of the MIDI outputs that are plugged in now.

    Raises:
        DeviceError: The MIDI system is not compiled in, or does not work here.
    """
    client = _new_client(api)
    try:
        return list(client.get_ports())
    finally:
        end_client(client)


def end_client(client: rtmidi.MidiOut | rtmidi.MidiIn) -> None:
    """Delete a client with its port: one of JACK no sooner than its notices were taken in (`await_notices`)."""
    if client.get_current_api() == rtmidi.API_UNIX_JACK:
        await_notices()
    client.delete()


class MidiSystem:
    """Opens ports of this machine's MIDI system; to be closed after its ports.

    Each port has a client of its own, made when it is first asked for and kept from then on: making one takes up to
    25 ms on JACK (measured) and holds the interpreter's lock, which the clocks of other ports would hear; listing
    takes 0.02 to 0.4 ms and opening about 5 ms.

    On JACK a named port is there as long as it is connected: one that went and came back between two looks, or was
    disconnected by hand, is opened again. When the server ends, all ports are lost, and the next server is found.
    The same is so on ALSA where /proc tells who is connected. Other systems do not tell it: there a port counts as
    there while its full name is listed, so one that goes and comes back under that name between two looks is missed.

    No two sets have the same port: each is locked while it is open.

    Args:
        api: "alsa", "jack", "coremidi" or "windows"; None for the first that works.
        virtual: Names of the output ports to make instead of to look for.
        holder: Process id of the set; None for this process.
    """

    def __init__(self, api: str | None = None, virtual: Sequence[str] = (), holder: int | None = None) -> None:
        self._api = api
        self._virtual = frozenset(virtual)
        self._holder = os.getpid() if holder is None else holder
        self._clients: dict[str, rtmidi.MidiOut] = {}
        self._watch: JackWatch | None = None

    @property
    def may_lose(self) -> bool:
        """Whether it may lose what is sent while another of its clients dies: so does JACK (seen here)."""
        return any(client.get_current_api() == rtmidi.API_UNIX_JACK for client in self._clients.values())

    def open(self, name: str) -> OutPort:
        """Open the output that a rig calls ``name``, or make it if it is a virtual one.

        Raises:
            DeviceError: The system does not work, the port is absent or ambiguous, or the system refuses it.
        """
        if self._watch is not None and not self._watch.serves:
            self.close()  # libjack finds no new server while a client of the old one is left
        client = self._clients.get(name) or self._new_client(name)
        lock: PortLock | None = None
        try:
            is_virtual = name in self._virtual
            present = [] if is_virtual else client.get_ports()
            index = -1 if is_virtual else matching_output(name, present)
            found = f"{CLIENT_NAME}:{name}" if is_virtual else present[index]
            lock = PortLock(_lock_name(client, found), self._holder, name)
            if is_virtual:
                client.open_virtual_port(name)
            else:
                client.open_port(index, name)
            return _RtMidiPort(client, self._watch, lock, name, found, virtual=is_virtual)
        except (OSError, rtmidi.RtMidiError, NotImplementedError) as error:
            client.close_port()
            if lock is not None:
                lock.close()
            raise DeviceError(f'The MIDI output "{name}" cannot be opened: {said(error)}.') from error

    def close(self) -> None:
        """Give up all clients, and with them all ports."""
        for client in self._clients.values():
            end_client(client)
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
        self, client: rtmidi.MidiOut, watch: JackWatch | None, lock: PortLock, name: str, found: str, *, virtual: bool
    ) -> None:
        self.found = found
        self._client = client
        self._watch = watch
        self._lock = lock
        self._name = name
        self._virtual = virtual
        self._frame = -1
        self._frame_at = 0.0
        self._sent_at = -inf
        self._opened_at = now()
        self._was_connected = False

    def send(self, data: bytes) -> None:
        # a server that is gone or stands still does not empty RtMidi's queue: sending waits for ever once it is full
        if self._watch is not None:
            self._watch.demand_server()
            frame, at = self._watch.frame, now()
            if frame != self._frame:
                self._frame, self._frame_at = frame, at
            elif at - self._frame_at > STALL_TURNS * self._watch.period_s + STALL_S:
                raise BlockingIOError("the JACK server stands still")
        try:
            for message in split(data):
                self._client.send_message(message)
            self._sent_at = now()
        except rtmidi.RtMidiError as error:
            raise OSError(said(error)) from error

    def present(self) -> bool:
        if self._watch is not None:
            self._watch.demand_server()
            return self._virtual or self._watch_sees_it()
        if self._virtual:
            return True
        return self.found in self._client.get_ports() and self._connected() is not False

    def close(self) -> None:
        notices_s, turn_s = (0.0, 0.0) if self._watch is None else (NOTICES_S, self._watch.period_s)
        time.sleep(max(notices_s, self._sent_at + max(DRAIN_S, DRAIN_TURNS * turn_s) - now()))
        try:
            if not self._client.is_deleted:
                self._client.close_port()
        finally:
            self._lock.close()

    def _watch_sees_it(self) -> bool:
        assert self._watch is not None
        if self._watch.connects(CLIENT_NAME, self._name, self.found):
            self._was_connected = True
            return True
        is_new = not self._was_connected and now() < self._opened_at + CONNECTS_S
        return is_new and self.found in self._client.get_ports()

    def _connected(self) -> bool | None:
        try:
            return connects(SEQUENCER.read_text(errors="replace"), CLIENT_NAME, self._name, self.found)
        except OSError:
            return None


def refuse_taken_ports(names: Sequence[str], api: str | None, virtual: Sequence[str]) -> None:
    """Return if none of a rig's outputs is in use by another set.

    Raises:
        DeviceError: One is, with that set's process id.
    """
    try:
        client = _new_client(api)
    except DeviceError:
        return
    try:
        present = client.get_ports()
        for name in names:
            found = f"{CLIENT_NAME}:{name}" if name in virtual else _found_or_empty(name, present)
            if found:
                refuse_taken(_lock_name(client, found))
    finally:
        end_client(client)


def _found_or_empty(name: str, present: Sequence[str]) -> str:
    try:
        return present[matching_output(name, present)]
    except DeviceError:
        return ""


def split(data: bytes) -> Iterator[bytes]:
    """Yield the messages of a group one by one; RtMidi takes no others.

    Source: MIDI 1.0 Detailed Specification, summary of status bytes.
    """
    while data:
        length = (
            data.index(0xF7) + 1 if data[0] == 0xF0 else 1 + DATA_BYTES.get(data[0], DATA_BYTES.get(data[0] >> 4, 0))
        )
        yield data[:length]
        data = data[length:]


def _lock_name(client: rtmidi.MidiOut, found: str) -> str:
    """Return what tells an output from all others of the machine; the text behind the zero byte is its full name."""
    api = client.get_current_api()
    server = os.environ.get("JACK_DEFAULT_SERVER", "default") if api == rtmidi.API_UNIX_JACK else ""
    return f"{api} {server}\0{found}"


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
            with quiet_stderr():
                return rtmidi.MidiOut(number, CLIENT_NAME)
        except OSError as error:  # RtMidi's SystemError is one
            failures.append(f"{rtmidi.get_api_display_name(number)}: {said(error)}")
    system = f'The MIDI system "{api}"' if api is not None else "No MIDI system"
    found = "; ".join(failures) or "not compiled into python-rtmidi for this machine"
    negation = "does not work here" if api is not None else "works here"
    raise DeviceError(f"{system} {negation} ({found}). Start or plug in one, or choose another under [midi] api.")


@contextmanager
def quiet_stderr() -> Iterator[None]:
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
