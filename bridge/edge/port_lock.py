"""One set a port: a lock on each MIDI output in use, whichever rig, user or control socket a set has.

The lock is on a file in the system's folder for temporary files, and goes with the process that holds it.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Any

from bridge.errors import DeviceError

if sys.platform == "win32":
    import msvcrt

    def _try_lock(descriptor: int) -> bool:
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
else:
    import fcntl

    def _try_lock(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True


WORDS_AT = 16
"""Where in the file its holder is written: Windows lets nobody read the locked byte, which is the first."""


class PortLock:
    """The right to send on a MIDI output; to be closed.

    A process of the same set that was given up, since its driver never came back, may still hold the lock of its port:
    another one of that set goes on without it. So does another set, when the one that holds it was killed.

    Args:
        output: What tells the output from all others of this machine.
        holder: Process id of the set.
        port: The port's name as its rig has it.

    Raises:
        DeviceError: Another set holds it, with that set's process id; or this one, under another name.
    """

    def __init__(self, output: str, holder: int, port: str) -> None:
        self._descriptor = -1
        try:
            descriptor = _open(_path(output))
        except OSError:  # a full or strange folder for temporary files must not keep a set from its ports
            return
        if not _try_lock(descriptor):
            held = _held(descriptor)
            os.close(descriptor)
            if held.get("pid") != holder:
                if _is_gone(held.get("pid")):
                    return
                raise DeviceError(_taken(output, held.get("pid")))
            if held.get("port") != port:
                raise DeviceError(
                    f'"{port}" is the output of "{held.get("port")}". A port carries one clock: name it once'
                )
            return
        self._descriptor = descriptor
        with suppress(OSError):
            os.ftruncate(descriptor, WORDS_AT)
            os.lseek(descriptor, WORDS_AT, os.SEEK_SET)
            os.write(descriptor, json.dumps({"pid": holder, "port": port}).encode())

    def close(self) -> None:
        """Let others have it; closing twice changes nothing."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def refuse_taken(output: str) -> None:
    """Return if no set holds an output.

    Raises:
        DeviceError: One does, with its process id.
    """
    try:
        descriptor = _open(_path(output))
    except OSError:
        return
    try:
        if not _try_lock(descriptor) and not _is_gone(pid := _held(descriptor).get("pid")):
            raise DeviceError(_taken(output, pid))
    finally:
        os.close(descriptor)


def _taken(output: str, pid: int | None) -> str:
    name = output.partition("\0")[2]
    return f'Another set (process {pid or "unknown"}) has the MIDI output "{name}". End that first, or name another'


def _is_gone(pid: Any) -> bool:
    """Return whether a set was killed, and only a process of one of its ports is left."""
    if os.name != "posix" or type(pid) is not int or pid <= 0:
        return False  # elsewhere kill(pid, 0) is no mere question
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False


def _held(descriptor: int) -> dict[str, Any]:
    try:
        os.lseek(descriptor, WORDS_AT, os.SEEK_SET)
        held = json.loads(os.read(descriptor, 4096))
    except (OSError, ValueError):
        return {}
    return held if isinstance(held, dict) else {}


def _path(output: str) -> Path:
    return Path(tempfile.gettempdir()) / "tapebridge-ports" / hashlib.sha256(output.encode()).hexdigest()[:32]


def _open(path: Path) -> int:
    """Open a lock's file for every user of the machine."""
    flags = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    with suppress(FileNotFoundError):
        return os.open(path, flags)  # without O_CREAT: Linux refuses that on another user's file in a shared folder
    if not path.parent.exists():
        path.parent.mkdir(exist_ok=True)
        with suppress(OSError):
            path.parent.chmod(0o1777)
    descriptor = os.open(path, flags | os.O_CREAT, 0o666)
    with suppress(OSError, AttributeError):
        os.fchmod(descriptor, 0o666)
    return descriptor
