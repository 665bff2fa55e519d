"""Run `tests.loop_peer` or `tests.deck_peer`, and the command line beside it, on a private JACK server."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

from tests.conftest import JackServer

ROOT = Path(__file__).resolve().parents[1]


class Peer:
    """The loop's process.

    Attributes:
        told: What it saw, once it has ended.
    """

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        self.told: dict[str, Any] = {}

    def end(self) -> dict[str, Any]:
        """End it, and return what it saw."""
        if not self.told:
            self.told = json.loads(self._process.communicate(timeout=10)[0])
        return self.told


def loop(server: JackServer, delay: int) -> AbstractContextManager[Peer]:
    """Run the loop until the block ends."""
    return _running(server, "tests.loop_peer", str(delay))


def mixer(server: JackServer) -> AbstractContextManager[Peer]:
    """Run the deck and its delay until the block ends."""
    return _running(server, "tests.deck_peer")


@contextmanager
def _running(server: JackServer, *words: str) -> Iterator[Peer]:
    command = [sys.executable, "-m", *words]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, env=server.env, cwd=ROOT, stdin=pipe, stdout=pipe, text=True) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            yield Peer(process)
        finally:
            if process.poll() is None:
                process.communicate(timeout=10)


def tapebridge(server: JackServer, *words: str, cwd: Path = ROOT, said: str = "") -> subprocess.CompletedProcess[str]:
    """Run a command of the bridge to its end, with something to read on its standard input."""
    command = [sys.executable, "-m", "bridge", *words]
    return subprocess.run(
        command, env=server.env | {"PYTHONPATH": str(ROOT)}, cwd=cwd, input=said, capture_output=True, text=True,
        timeout=90, check=False,
    )  # fmt: skip
