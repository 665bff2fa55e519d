"""MIDI systems for tests of ports in processes of their own: they write down what is sent, and fail in every way."""

from __future__ import annotations

import ctypes
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from bridge.edge.host_clock import now
from bridge.errors import DeviceError


@dataclass(frozen=True)
class ToySystem:
    """Opens ports whose bytes land in ``NAME.log``, a line each: process id, host time in seconds, bytes in hex.

    A port called "stuck" never returns from its first `send`, with Python's lock in its hands, as RtMidi has it. With
    a file ``NAME.absent`` a port is absent.

    Attributes:
        folder: Where the files are.
    """

    folder: Path
    may_lose: ClassVar[bool] = False

    def open(self, name: str) -> ToyPort:
        """Open one."""
        (self.folder / f"{name}.pid").write_text(str(os.getpid()), encoding="ascii")
        if (self.folder / f"{name}.absent").exists():
            raise DeviceError(f"{name} is absent")
        return ToyPort(self.folder, name)

    def close(self) -> None:
        """Write down that it was closed in order."""
        (self.folder / f"closed-{os.getpid()}").touch()

    def sent(self, name: str) -> list[tuple[float, bytes]]:
        """Return what a port got, oldest first."""
        path = self.folder / f"{name}.log"
        lines = path.read_text(encoding="ascii").splitlines() if path.exists() else []
        return [(at, bytes.fromhex(data)) for at, data in map(json.loads, lines)]

    def pid(self, name: str) -> int:
        """Return the id of the process that has tried to open a port last; 0 if none has."""
        path = self.folder / f"{name}.pid"
        return int(path.read_text(encoding="ascii") or 0) if path.exists() else 0


class ToyPort:
    """One of its ports."""

    def __init__(self, folder: Path, name: str) -> None:
        self.found = f"{name} of the toy"
        self._folder = folder
        self._name = name

    def send(self, data: bytes) -> None:
        """Write it down, or stand still for ever."""
        if self._name == "stuck":
            ctypes.PyDLL(None).sleep(3600)
        with (self._folder / f"{self._name}.log").open("a", encoding="ascii") as log:
            log.write(json.dumps([now(), data.hex()]) + "\n")

    def present(self) -> bool:
        """Return whether it is there."""
        return not (self._folder / f"{self._name}.absent").exists()

    def close(self) -> None:
        """Do nothing."""
