"""MIDI outputs that are kept open through pulled cables and systems that come late."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from math import inf
from typing import Protocol

from bridge.errors import DeviceError
from bridge.events import Fact, PortLost, PortOpened

RETRY_S = 1.0
"""Time between two looks for ports that are absent, in seconds."""

LOOK_S = 0.25
"""Time between two looks at ports that are open, in seconds."""


class OutPort(Protocol):
    """An open MIDI output. Its methods raise OSError where the system fails; `send` BlockingIOError where it stalls.

    Attributes:
        found: The full name that the system gives it.
    """

    found: str

    def send(self, data: bytes) -> None:
        """Send one message, or a group that belongs together, at once."""

    def present(self) -> bool:
        """Return whether it is still plugged in."""

    def close(self) -> None:
        """End it; closing twice changes nothing."""


class PortSystem(Protocol):
    """Opens MIDI outputs, such as `bridge.edge.midi.MidiSystem`.

    Attributes:
        may_lose: Whether it may lose what is sent while another of its clients dies, as JACK does.
    """

    @property
    def may_lose(self) -> bool:
        """As the class says."""

    def open(self, name: str) -> OutPort:
        """Open the output that a rig calls ``name``, or raise DeviceError."""

    def close(self) -> None:
        """Give up all ports."""


class Ports(Protocol):
    """The MIDI outputs of a rig, as the sender uses them: `PortSet`, or `bridge.edge.port_process.PortProcesses`.

    Attributes:
        lead_s: How long before it is due a message is to be handed over, in seconds.
    """

    lead_s: float

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
        """Send a message at host time ``at``, in seconds; return whether it was taken.

        Should the sender vanish before it has sent ``undo`` itself, or stand still until ``undo_at``, that is sent for
        it where this is possible; ``settles`` is such an undoing that is needed no more. Where ``data`` is empty only
        those two count. What cannot be sent by ``until`` is left out.
        """

    def tend(self) -> None:
        """Look after the ports; to be called several times a second."""

    def take_facts(self) -> list[Fact]:
        """Return what happened to the ports since the last call."""

    def close(self) -> None:
        """Close all ports."""


def said(error: Exception) -> str:
    """Return what an error says, without the full stop at its end; its kind where it says nothing."""
    return str(error).rstrip(". ") or type(error).__name__


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

    Attributes:
        lead_s: 0: what is sent goes out at once.
    """

    lead_s = 0.0

    def __init__(self, names: Sequence[str], open_port: Callable[[str], OutPort], now: Callable[[], float]) -> None:
        self._open_port = open_port
        self._now = now
        self._open: dict[str, OutPort | None] = dict.fromkeys(names)
        self._told_lost: set[str] = set()
        self._facts: list[Fact] = []
        self._next_look = self._next_try = now()
        self.tend()

    def send(
        self,
        port: str,
        data: bytes,
        at: float = 0.0,
        undo: bytes = b"",
        until: float = inf,
        undo_at: float = inf,
        settles: bytes = b"",
    ) -> bool:
        """Send a message to a port at once, whatever ``at`` and ``until`` say; return whether the system took it.

        Nobody is left to send ``undo`` when this process is gone.
        """
        output = self._open[port]
        if output is None:
            return False
        if not data:
            return True
        try:
            output.send(data)
        except BlockingIOError as error:  # kept open: closing waits for the system, too
            self._tell_lost(port, said(error))
            return False
        except OSError as error:
            self._lose(port, output, said(error))
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
        return said(error)


def _close(output: OutPort) -> None:
    with suppress(OSError):  # it is being given up: what the system says of a dead port helps nobody
        output.close()
