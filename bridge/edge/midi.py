"""MIDI outputs of this machine: found by name and opened."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

import rtmidi

from bridge.edge.jack_watch import JackWatch
from bridge.edge.port_set import OutPort, said
from bridge.errors import DeviceError

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
            raise DeviceError(f'The MIDI output "{name}" cannot be opened: {said(error)}.') from error

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
            raise OSError(said(error)) from error

    def present(self) -> bool:
        if self._watch is None:
            return self._virtual or self.found in self._client.get_ports()
        self._watch.demand_server()
        return self._virtual or self._watch.connects(CLIENT_NAME, self._name, self.found)

    def close(self) -> None:
        if not self._client.is_deleted:
            self._client.close_port()


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
            failures.append(f"{rtmidi.get_api_display_name(number)}: {said(error)}")
    system = f'The MIDI system "{api}"' if api is not None else "No MIDI system"
    found = "; ".join(failures) or "not compiled into python-rtmidi for this machine"
    negation = "does not work here" if api is not None else "works here"
    raise DeviceError(f"{system} {negation} ({found}). Start or plug in one, or choose another under [midi] api.")


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
