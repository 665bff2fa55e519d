"""Refusals. Each says what is wrong, where, what was found, and what to do next; they differ by whose fault it is."""

from __future__ import annotations

from dataclasses import dataclass


class BridgeError(Exception):
    """A refusal whose text a performer can act on; the command line prints it in one line and exits with 1."""


class RigError(BridgeError):
    """The rig cannot be used as written.

    Attributes:
        faults: Every fault found, in the order of their lines; never empty.
    """

    def __init__(self, faults: list[Fault]) -> None:
        if not faults:
            raise ValueError("a RigError needs at least one fault")
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in faults))


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a file.

    Attributes:
        path: The file, as the user named it.
        line: Line number from 1; None where no line can be named (an empty file, an absent table).
        key: The key path as written, such as ``pedals[0].port``; empty for the file as a whole.
        found: What was found there.
        remedy: What to do about it.
    """

    path: str
    line: int | None
    key: str
    found: str
    remedy: str

    def __str__(self) -> str:
        where = self.path if self.line is None else f"{self.path} line {self.line}"
        what = f"{self.key} {self.found}" if self.key else self.found
        return f"{where}: {what}. {self.remedy}"


class SoundFileError(BridgeError):
    """A sound file cannot be read, or not to its end."""


class DeviceError(BridgeError):
    """A sound device or MIDI port is absent, ambiguous, or refuses what the rig asks of it."""


class TakeError(BridgeError):
    """A take cannot be written, or cannot be read back."""
