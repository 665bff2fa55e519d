"""A file that only grows, and that keeps what a full disk refuses until there is room again."""

from __future__ import annotations

import os
import time
from contextlib import suppress
from io import FileIO
from pathlib import Path

SYNC_EVERY_S = 0.5
"""The file is brought from the system's memory to the disk at most this often.

A power cut may cost a second: so a disk has another half of it for the sync itself.
"""

RESERVE_BYTES = 1 << 20
"""Room kept for the journal on a disk that gets full: about a quarter of an hour of facts."""


class GrowingFile:
    """Appends bytes without a buffer of its own: what `push` has taken off `unwritten` survives the process.

    A last line that was torn by a crash is ended with a newline before anything is added. A reserve file beside it
    takes up room on the disk; the first refused write gives that room back. Only one thread may use it.

    Args:
        path: The file; made when it is absent.

    Raises:
        OSError: The file cannot be opened.

    Attributes:
        unwritten: Bytes that the disk has not taken yet.
        empty: Whether nothing was in the file when it was opened.
        refused: What the system said to the last refused write or sync; None when the last one went well.
    """

    def __init__(self, path: Path) -> None:
        self._file = open_raw(path)
        self._reserve = path.with_suffix(".reserve")
        last = _last_byte(path)
        self.empty = not last
        self.unwritten = b"" if last in (b"", b"\n") else b"\n"
        self.refused: OSError | None = None
        self._unsynced = False
        self._sync_due = 0.0
        with suppress(OSError):  # not every file system has it
            _sync_folder(path.parent)
        with suppress(OSError):  # a disk that is full already has no room to keep; the journal goes on without
            _keep_room(self._reserve)

    def append(self, data: bytes) -> None:
        """Add bytes at the end, as many at once as the disk takes."""
        self.unwritten += data
        self.push()

    def push(self) -> None:
        """Try to write what is still unwritten."""
        try:
            while self.unwritten:
                written = self._file.write(self.unwritten) or 0  # a raw file may take a part
                self.unwritten = self.unwritten[written:]
                self._unsynced = True
                self.refused = None
        except OSError as error:
            self.refused = error
            with suppress(OSError):  # already spent: then only the user can make room
                self._reserve.unlink()
                self.push()

    def seconds_to_sync(self) -> float | None:
        """Return how long the next sync may wait, in seconds; None when nothing needs one."""
        return max(0.0, self._sync_due - time.monotonic()) if self._unsynced else None

    def sync(self) -> None:
        """Bring what was written to the disk, so that it survives a power cut too."""
        try:
            os.fsync(self._file.fileno())
            self._unsynced = False
        except OSError as error:
            self.refused = error
        self._sync_due = time.monotonic() + SYNC_EVERY_S

    def close(self) -> None:
        """Sync, close, and give the reserve's room back."""
        if self._unsynced:
            self.sync()
        self._file.close()
        with suppress(OSError):  # spent on a full disk
            self._reserve.unlink()


def open_raw(path: Path) -> FileIO:
    """Open a file for appending, unbuffered.

    Raises:
        OSError: The system refuses.
    """
    return path.open("ab", buffering=0)


def _last_byte(path: Path) -> bytes:
    with path.open("rb") as file:
        if file.seek(0, os.SEEK_END) == 0:
            return b""
        file.seek(-1, os.SEEK_END)
        return file.read(1)


def _sync_folder(folder: Path) -> None:
    """Make a new file's name survive a power cut, where the system can."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _keep_room(path: Path) -> None:
    try:
        with path.open("xb", buffering=0) as file:
            file.write(os.urandom(RESERVE_BYTES))  # random, since some file systems keep no room for zeros
    except FileExistsError:
        return  # a killed listener's, still full
    except OSError:
        path.unlink(missing_ok=True)  # half a reserve would take the last room from the journal
        raise
