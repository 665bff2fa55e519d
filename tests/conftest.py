"""What tests in several rooms share: a private JACK server, and a browser."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import hypothesis
import pytest
from playwright.sync_api import Browser, sync_playwright

hypothesis.settings.register_profile("bridge", deadline=None)  # a busy machine is no failure of the code
hypothesis.settings.load_profile("bridge")

JACK_RATE = 48_000
"""Frames per second of the private server."""

JACK_PERIOD = 256
"""Frames per period of the private server: 5.3 ms. A client that misses a period loses what came in it, and its own
last message is read once more: on a slow machine a client in Python misses some of shorter ones."""

JACK_SHORT_PERIOD = 64
"""1.3 ms, where it matters that RtMidi's JACK backend writes at the start of a period."""


@dataclass(frozen=True)
class JackServer:
    """A JACK server of the tests' own, driven by a timer: it needs no sound hardware.

    Its physical ports are ``system:capture_1``, ``system:capture_2`` (silent) and ``system:playback_1``,
    ``system:playback_2`` (heard by nobody).

    Attributes:
        name: The server's name, as `jack.Client(servername=...)` takes it.
        pid: Process id of the server.
        rate: Frames per second.
        period: Frames per period.
        env: The whole environment for a child process that is to find this server and no other.
    """

    name: str
    pid: int
    rate: int
    period: int
    env: dict[str, str]


@pytest.fixture(scope="session")
def jack_daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[JackServer]:
    """The server of this test session; skips where JACK is absent. Tests mostly want `jack_server`."""
    with running_jack_server(f"bridge-tests-{os.getpid()}", tmp_path_factory.mktemp("jack") / "jackd.log") as server:
        yield server


@contextmanager
def running_jack_server(
    name: str, log: Path, period: int = JACK_PERIOD, realtime: bool = False
) -> Iterator[JackServer]:
    """A server for a test that does it harm, or wants another period or real time; it may be ended by its pid.

    Skips where JACK is absent. A JACK client with callbacks in Python can hang for ever when it is deactivated or the
    period changes, since libjack cancels its thread inside the callback, with the interpreter's lock in its hands:
    give such a client a process of its own, and end that with `os._exit`.
    """
    if shutil.which("jackd") is None or shutil.which("jack_wait") is None:
        pytest.skip("jackd is absent (Debian: apt-get install jackd2)")
    env = os.environ | {"JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1", "JACK_NO_AUDIO_RESERVATION": "1"}
    command = ["jackd", "-n", name, "-R" if realtime else "-r", "-d", "dummy", "-r", str(JACK_RATE), "-p", str(period)]
    server = _started(command, env, log)
    try:
        _wait_until_it_serves(server, env, log)
        yield JackServer(name, server.pid, JACK_RATE, period, env)
    finally:
        if _ended(server) != 0:
            # killed or crashed, it keeps one of JACK's eight places for servers; a successor of its name gives it back
            successor = _started(command, env, log)
            _wait_until_it_serves(successor, env, log)
            _ended(successor)


def _started(command: list[str], env: dict[str, str], log: Path) -> subprocess.Popen[bytes]:
    with log.open("ab") as output:
        return subprocess.Popen(command, env=env, stdin=subprocess.DEVNULL, stdout=output, stderr=output)


def _ended(server: subprocess.Popen[bytes]) -> int:
    """End a server, by force if it does not go within 5 s, and return its status."""
    server.terminate()
    try:
        return server.wait(timeout=5)
    except subprocess.TimeoutExpired:
        server.kill()
        return server.wait(timeout=5)


@pytest.fixture
def jack_server(jack_daemon: JackServer, monkeypatch: pytest.MonkeyPatch) -> JackServer:
    """A private JACK server, which clients of this process and of its children find by themselves.

    Mark the tests that use it with ``@pytest.mark.jack``. PortAudio starts once per process and keeps its list of
    devices: run what touches sounddevice in a process of its own, with ``env=jack_server.env``.
    """
    for key in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER"):
        monkeypatch.setenv(key, jack_daemon.env[key])
    return jack_daemon


def _wait_until_it_serves(server: subprocess.Popen[bytes], env: dict[str, str], log: Path) -> None:
    ask = ["jack_wait", "-c", "-s", env["JACK_DEFAULT_SERVER"]]
    give_up = time.monotonic() + 15
    while server.poll() is None and time.monotonic() < give_up:
        if subprocess.run(ask, env=env, capture_output=True).stdout.strip() == b"running":
            return
        time.sleep(0.1)
    raise RuntimeError(f"jackd did not come up:\n{log.read_text(errors='replace')}")


CHROMIUM = Path("/usr/bin/chromium")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, without a screen; skips where it is absent. One for all: two would not share a process."""
    if not CHROMIUM.exists():
        pytest.skip("Chromium is absent (Debian: apt-get install chromium)")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        yield chromium
        chromium.close()
