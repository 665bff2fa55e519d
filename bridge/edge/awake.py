"""Keep the system from going to sleep by itself while a set runs."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from typing import IO

from bridge.events import Fact
from bridge.events_host import SleepInhibited, SleepPossible

SURE_S = 1.5
"""A helper of the system that runs after so many seconds was not refused."""

COMMANDS = {
    # sleeps only when its input ends, as it does with this process, however that ends
    "linux": (
        "systemd-inhibit --what=sleep:idle:handle-lid-switch --mode=block --who=TapeBridge --why=a-set-is-played cat"
    ),
    "darwin": "caffeinate -i -m -s cat",
}
"""What keeps a system awake for as long as ``cat`` waits for the end of its input."""


class Awake:
    """Asks the system to stay awake until it is closed, or until this process is gone.

    Args:
        now: Tells the host time in seconds.
        command: What to run; by default that of this system.
    """

    def __init__(self, now: Callable[[], float], command: str | None = None) -> None:
        self._now = now
        self._began = now()
        self._told = False
        self._process: subprocess.Popen[bytes] | None = None
        self._errors: IO[bytes] | None = None
        words = (COMMANDS.get(sys.platform, "") if command is None else command).split()
        self._by = words[0] if words else "SetThreadExecutionState"
        self._refusal = self._start(words) if words else _ask_windows(awake=True)

    def look(self) -> Fact | None:
        """Return once how it went, as soon as that is known; None before and after."""
        if self._told or (not self._refusal and self._process is not None and not self._known()):
            return None
        self._told = True
        if self._refusal:
            return SleepPossible(at=self._now(), why=self._refusal)
        return SleepInhibited(at=self._now(), by=self._by)

    def close(self) -> None:
        """Let the system sleep again."""
        if self._process is None:
            _ask_windows(awake=False)
            return
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(1.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(1.0)
        if self._errors is not None:
            self._errors.close()

    def _start(self, words: list[str]) -> str:
        if shutil.which(words[0]) is None:
            return f"this system has no {words[0]}"
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - read once the process has ended
        try:
            self._process = subprocess.Popen(
                words,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=self._errors,
                start_new_session=True,  # Ctrl-C is for this process
            )
        except OSError as error:
            return f"{words[0]} cannot be started: {error}"
        return ""

    def _known(self) -> bool:
        assert self._process is not None
        code = self._process.poll()
        if code is None:
            return self._now() - self._began >= SURE_S
        said = b""
        if self._errors is not None:
            self._errors.seek(0)
            said = self._errors.read(500)
        first = said.decode(errors="replace").strip().partition("\n")[0]
        self._refusal = f"{self._by} exited with code {code}: {first or 'no word'}"
        return True


def _ask_windows(*, awake: bool) -> str:
    """Ask Windows to stay awake, or no more; return why it does not."""
    if sys.platform != "win32":
        return f"nothing is known for this system ({os.name})"
    import ctypes

    continuous, system_required = 0x80000000, 1  # ES_CONTINUOUS and ES_SYSTEM_REQUIRED of SetThreadExecutionState
    granted = ctypes.WinDLL("kernel32").SetThreadExecutionState(continuous | (system_required if awake else 0))
    return "" if granted else "SetThreadExecutionState was refused"
