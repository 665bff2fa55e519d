"""Keys of the terminal that a set runs in, one by one as they are pressed, and the terminal as it was afterwards."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import TracebackType
from typing import Any, Self

from bridge.foot.typed import Typed

if sys.platform == "win32":
    import msvcrt
else:
    import termios

TERMINAL = "/dev/tty"
"""The terminal that a process was started in, wherever its input and output go."""

POLL_S = 0.01
"""How often `Keys.take` is to be called where there is nothing to wait on, in seconds: on Windows."""

READ_AT_ONCE = 1024
"""Bytes taken in at once: a paste is no reason to hold up a foot."""

_WINDOWS_ARROWS = {"H": b"\x1b[A", "P": b"\x1b[B", "M": b"\x1b[C", "K": b"\x1b[D"}


class Keys:
    """The keys of a terminal. Use it in a ``with`` statement, which gives the terminal back as it was.

    Keys come at once and without an echo (cbreak mode); Ctrl-C, Ctrl-Z and Ctrl-\\ do what they did before. Without a
    terminal, or while this process is in its background, no key comes: `tend` takes the terminal once it may.

    Args:
        now: Tells the host time in seconds.
        path: The terminal.
    """

    def __init__(self, now: Callable[[], float], path: str = TERMINAL) -> None:
        self._now = now
        self._path = path
        self._typed = Typed()
        self._file: int | None = None
        self._found: list[Any] = []

    def __enter__(self) -> Self:
        self.tend()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def fileno(self) -> int:
        """Return what to wait on until `take` has something; -1 where there is nothing to wait on."""
        return -1 if self._file is None else self._file

    def next_due(self) -> float:
        """Return when `take` may have something though nothing came, in host seconds; inf for never."""
        return self._now() + POLL_S if sys.platform == "win32" else self._typed.next_due()

    def tend(self) -> None:
        """Take the terminal if it is not taken and may be. Call it about once a second."""
        if sys.platform == "win32":
            return
        if self._file is not None:
            return
        try:
            file = os.open(self._path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError:
            return
        try:
            # a process in the background that changes or reads a terminal is stopped
            if os.tcgetpgrp(file) == os.getpgrp():
                self._found = _cooked(termios.tcgetattr(file))
                _set(file, _one_by_one(self._found))
                self._file = file
        except (OSError, termios.error):
            self._found = []
        finally:
            if self._file is None:
                os.close(file)

    def take(self) -> list[tuple[str, float]]:
        """Return the keys that were pressed since the last call, as a rig names them, with host times in seconds."""
        at = self._now()
        return [(key, at) for key in self._take(at)]

    def _take(self, at: float) -> list[str]:
        if sys.platform == "win32":
            return self._typed.feed(_windows_bytes(), at)
        if self._file is None:
            return []
        try:
            data = os.read(self._file, READ_AT_ONCE)
        except BlockingIOError:
            return self._typed.due(at)
        except OSError:
            data = b""
        if not data:  # the terminal was closed
            self.close()
            return []
        return self._typed.feed(data, at)

    def close(self) -> None:
        """Give the terminal back as it was; closing twice changes nothing."""
        if sys.platform == "win32":
            return
        if self._file is None:
            return
        file, self._file = self._file, None
        with suppress(OSError, termios.error):
            termios.tcflush(file, termios.TCIFLUSH)  # keys of the set are no words for the shell
        with suppress(OSError, termios.error):
            _set(file, self._found)
        os.close(file)


@contextmanager
def terminal_kept(path: str = TERMINAL) -> Iterator[None]:
    """Give a terminal back as it was, even if a process that reads its keys was killed meanwhile.

    For the process that outlives those. Without a terminal it does nothing.
    """
    if sys.platform == "win32":
        yield
        return
    found: list[Any] | None = None
    file = -1
    with suppress(OSError, termios.error):
        file = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        found = termios.tcgetattr(file)
    try:
        yield
    finally:
        if file >= 0:
            with suppress(OSError, termios.error):
                if found is not None and termios.tcgetattr(file) != found:
                    _set(file, found)
            os.close(file)


if sys.platform != "win32":

    def _one_by_one(found: list[Any]) -> list[Any]:
        wanted = [*found]
        wanted[3] &= ~(termios.ICANON | termios.ECHO)
        wanted[6] = [*found[6]]
        wanted[6][termios.VMIN], wanted[6][termios.VTIME] = 1, 0
        return wanted

    def _cooked(found: list[Any]) -> list[Any]:
        """Return a terminal's state as a shell leaves it: a predecessor that was killed may have left its own."""
        if found[3] & termios.ICANON:
            return found
        return [*found[:3], found[3] | termios.ICANON | termios.ECHO, *found[4:]]

    def _set(file: int, state: list[Any]) -> None:
        """Change a terminal at once: waiting for its output would wait for ever after Ctrl-S."""
        before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGTTOU])  # or it would stop us in the background
        try:
            termios.tcsetattr(file, termios.TCSANOW, state)
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _windows_bytes() -> bytes:
    """Return what was typed, with arrows as other terminals send them."""
    data = b""
    if sys.platform == "win32":
        while msvcrt.kbhit() and len(data) < READ_AT_ONCE:
            sign = msvcrt.getwch()
            if sign in ("\x00", "\xe0"):
                data += _WINDOWS_ARROWS.get(msvcrt.getwch(), b"")
            else:
                data += sign.encode()
    return data
