"""MIDI inputs of this machine: found by name, and when each message came."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import rtmidi

from bridge.edge.host_clock import now
from bridge.edge.midi import APIS, CLIENT_NAME, described, end_client, meant_ports, quiet_stderr
from bridge.edge.port_set import said
from bridge.errors import DeviceError

CALLED_S = 0.02
"""Time for a callback on its way to end, in seconds: RtMidi holds Python's lock while it closes, and would wait for a
thread that waits for that lock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """One message that came in.

    Attributes:
        at: Host time in seconds at which this process had it.
        gap_s: Time since the message before it, as the driver stamped both, in seconds; 0 for the first one, and
            where the driver stamps nothing.
        data: The message.
    """

    at: float
    gap_s: float
    data: bytes


class MidiInput:
    """An open MIDI input that keeps what comes, real-time messages too. Use it in a ``with`` statement.

    Args:
        name: As a rig names an output: exact name, a unique part of it, path or serial number.
        api: "alsa", "jack", "coremidi" or "windows"; None for the first that works.

    Attributes:
        found: The full name that the system gives it.

    Raises:
        DeviceError: The system does not work, or the input is absent or ambiguous.
    """

    def __init__(self, name: str, api: str | None = None) -> None:
        self._lock = threading.Lock()
        self._came: list[Came] = []
        self._client = new_input(api, "measure")
        try:
            present = list(self._client.get_ports())
            index = matching_input(name, present)
            self.found: str = present[index]
            self._client.ignore_types(sysex=True, timing=False, active_sense=True)
            self._client.set_callback(self._take)
            self._client.open_port(index, "measure")
        except (OSError, rtmidi.RtMidiError) as error:
            end_client(self._client)
            raise DeviceError(f'The MIDI input "{name}" cannot be opened: {said(error)}.') from error
        except DeviceError:
            end_client(self._client)
            raise

    def take(self) -> list[Came]:
        """Return what came since the last call, oldest first."""
        with self._lock:
            came, self._came = self._came, []
        return came

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.cancel_callback()
        time.sleep(CALLED_S)
        end_client(self._client)

    def _take(self, event: tuple[list[int], float], _: Any) -> None:
        at = now()
        data, gap_s = event
        with self._lock:
            self._came.append(Came(at=at, gap_s=gap_s, data=bytes(data)))


def matching_input(name: str, inputs: Sequence[str]) -> int:
    """Return the index of the input meant by ``name``, by the rules of `bridge.edge.midi.matching_output`.

    Raises:
        DeviceError: None matches, or several.
    """
    found = meant_ports(name, inputs)
    if len(found) == 1:
        return found[0]
    if found:
        candidates = ", ".join(described(inputs[index]) for index in found)
        raise DeviceError(
            f'"{name}" matches {len(found)} MIDI inputs: {candidates}. Name one of them in full, or by its path or '
            "serial number."
        )
    present = ", ".join(map(described, inputs)) or "none"
    raise DeviceError(
        f'"{name}" matches no MIDI input. Present now: {present}. Plug it in, or list the ports: tapebridge ports'
    )


def inputs(api: str | None = None) -> list[str]:
    """Return the full names of the MIDI inputs that are plugged in now.

    Raises:
        DeviceError: The MIDI system is not compiled in, or does not work here.
    """
    client = new_input(api)
    try:
        return list(client.get_ports())
    finally:
        end_client(client)


def new_input(api: str | None, what_for: str = "foot", queue: int = 1024) -> rtmidi.MidiIn:
    """Return a client that can open one MIDI input; the caller deletes it.

    Args:
        api: "alsa", "jack", "coremidi" or "windows"; None for the first that works.
        what_for: A word that other programs see behind our name.
        queue: Messages that wait in it, at most, where it has no callback.

    Raises:
        DeviceError: The MIDI system is unknown, or does not work here.
    """
    compiled = rtmidi.get_compiled_api()
    if api is not None and api not in APIS:
        raise DeviceError(f'There is no MIDI system called "{api}". Known: {", ".join(APIS)}.')
    failures = []
    for number in [APIS[api]] if api is not None else APIS.values():
        if number not in compiled:
            continue
        try:
            with quiet_stderr():
                return rtmidi.MidiIn(number, f"{CLIENT_NAME} {what_for}", queue)
        except OSError as error:  # RtMidi's SystemError is one
            failures.append(f"{rtmidi.get_api_display_name(number)}: {said(error)}")
    found = "; ".join(failures) or "not compiled into python-rtmidi for this machine"
    raise DeviceError(f"No MIDI input can be opened here ({found}). Start or plug in a MIDI system, or choose another.")
