"""What a sender can send to: the MIDI outputs of this machine, and OSC receivers, which are named like ports."""

from __future__ import annotations

import os
import socket
from collections.abc import Sequence

from bridge.edge.midi import MidiSystem
from bridge.edge.port_set import OutPort
from bridge.errors import DeviceError

OSC = "osc://"
"""Begins the name of an OSC receiver: ``osc://host:port``."""


class Outputs:
    """Opens outputs by their names; to be closed after them.

    Args:
        api: As in `bridge.edge.midi.MidiSystem`.
        virtual: Names of the MIDI outputs to make instead of to look for.
        holder: Process id of the set; None for this process.
    """

    def __init__(self, api: str | None = None, virtual: Sequence[str] = (), holder: int | None = None) -> None:
        self._midi = MidiSystem(api, virtual, os.getpid() if holder is None else holder)

    @property
    def may_lose(self) -> bool:
        """As `bridge.edge.midi.MidiSystem` has it."""
        return self._midi.may_lose

    def open(self, name: str) -> OutPort:
        """Open the output that is called ``name``.

        Raises:
            DeviceError: It is absent, ambiguous, or refused.
        """
        return UdpPort(name) if name.startswith(OSC) else self._midi.open(name)

    def close(self) -> None:
        """Give up all outputs."""
        self._midi.close()


class UdpPort:
    """Sends packets to an OSC receiver; whether anybody hears them is not known.

    Args:
        name: ``osc://host:port``.

    Raises:
        DeviceError: The host is unknown.
    """

    def __init__(self, name: str) -> None:
        host, _, port = name.removeprefix(OSC).rpartition(":")
        try:
            family, _, _, _, address = socket.getaddrinfo(host.strip("[]"), int(port), type=socket.SOCK_DGRAM)[0]
        except (OSError, ValueError) as error:
            raise DeviceError(
                f'The OSC receiver "{name}" is unknown here ({error}). See osc.host and osc.port'
            ) from error
        self.found = name
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._address = address

    def send(self, data: bytes) -> None:
        """Send one OSC packet."""
        try:
            self._socket.sendto(data, self._address)
        except ConnectionRefusedError:  # of an earlier packet: nobody listens there now
            self._socket.sendto(data, self._address)

    def present(self) -> bool:
        """Return True: nothing tells otherwise."""
        return True

    def close(self) -> None:
        """End it; closing twice changes nothing."""
        self._socket.close()
