"""Live sound through the real PortAudio, from a private JACK server on which the test plays."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.conftest import JackServer, running_jack_server

pytestmark = [
    pytest.mark.jack,
    pytest.mark.skipif(find_spec("jack") is None, reason="JACK-Client is absent (it is installed on Linux only)"),
]

PERIOD = 1024
"""Frames per period of the server that sound is played on: long enough for Python not to miss one."""

COUNT = 2**20
"""The player's samples count frames modulo this; a float32 holds each exactly."""

LISTENER = """
import json, sys, time
import numpy as np
from bridge.edge.audio import open_input
from bridge.edge.host_clock import now
from bridge.events import SoundHeard
from bridge.rig import SoundInput

seconds, block, path = float(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
frames, times, reads, samples, lost = [], [], [], [], []
with open_input(SoundInput(device="system", block=block), 2) as sound:
    print(json.dumps({"rate": sound.rate, "channels": sound.channels, "source": sound.source}), flush=True)
    end = now() + seconds
    while now() < end:
        got = sound.read(0.1)
        if isinstance(got, SoundHeard):
            frames.append(got.frame), times.append(got.at), reads.append(now()), samples.append(got.samples)
        elif got is not None:
            lost.append((got.frames, got.why))
np.savez(path, frames=frames, times=times, reads=reads, samples=np.concatenate(samples))
print(json.dumps(lost), flush=True)
"""


PLAYER = f"""
import json, os, sys
import jack
import numpy as np

client = jack.Client("tape player", no_start_server=True)
outputs = [client.outports.register(name) for name in ("left", "right")]
xruns = []

@client.set_process_callback
def play(frames):  # a cycle that is missed leaves a gap in the count
    left, right = (port.get_array() for port in outputs)
    left[:] = ((client.last_frame_time + np.arange(frames)) % {COUNT}) / {COUNT}
    right[:] = -left

client.set_xrun_callback(xruns.append)
client.activate()
inputs = [port for port in client.get_ports(is_audio=True, is_input=True) if port.name.startswith("PortAudio")]
for output, port in zip(outputs, inputs, strict=True):
    for other in client.get_all_connections(port):
        client.disconnect(other, port)
    client.connect(output, port)
sys.stdin.read()
print(len(xruns), flush=True)
os._exit(0)  # see tests.conftest.running_jack_server
"""


@pytest.fixture(scope="module")
def slowest_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[JackServer]:
    log = tmp_path_factory.mktemp("jack") / "slow.log"
    with running_jack_server(f"bridge-slowest-{os.getpid()}", log, PERIOD) as server:
        yield server


def in_process_of_its_own(script: str, *arguments: Any, env: dict[str, str]) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", script, *map(str, arguments)]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, env=env, stdin=pipe, stdout=pipe, stderr=pipe, text=True)


def first_line(child: subprocess.Popen[str]) -> str:
    assert child.stdout is not None
    line = child.stdout.readline()
    assert line, child.communicate(timeout=10)[1]
    return line


def rest(child: subprocess.Popen[str]) -> str:
    """Return what a child still prints, once it has ended in order."""
    try:
        printed, errors = child.communicate(timeout=20)
    except subprocess.TimeoutExpired:
        child.kill()
        raise
    assert child.returncode == 0, errors
    return printed


@pytest.mark.parametrize("block", [256, PERIOD])
def test_what_is_played_arrives_in_order_without_gaps_and_on_time(
    slowest_server: JackServer, tmp_path: Path, block: int
) -> None:
    """Frames are lost only where the server itself said so, and host time runs as the device does."""
    seconds = 3.0
    with in_process_of_its_own(LISTENER, seconds, block, tmp_path / "heard.npz", env=slowest_server.env) as listener:
        assert json.loads(first_line(listener)) == {
            "rate": 48_000,
            "channels": 2,
            "source": "system, JACK Audio Connection Kit",
        }
        with in_process_of_its_own(PLAYER, env=slowest_server.env) as player:
            told = json.loads(rest(listener))
            xruns = int(rest(player))
    noted = np.load(tmp_path / "heard.npz")

    left, right = noted["samples"].T
    begin = max(np.flatnonzero(left)[0], np.flatnonzero(right)[0])  # the second is plugged in a little later
    played = left[begin:]
    assert np.array_equal(played, -right[begin:])
    assert len(played) > seconds * 48_000 / 3
    steps = np.diff(np.round(played.astype(np.float64) * COUNT).astype(int)) % COUNT
    breaks = steps[steps != 1]
    assert len(breaks) <= 2 * xruns  # each of the two clients may miss a cycle then, and at no other time

    frames, at = noted["frames"], noted["times"]
    assert (np.diff(at) > 0).all()
    assert sum(lost for lost, _why in told) == frames[-1] - frames[0] - block * (len(frames) - 1)
    late_s = np.median(noted["reads"] - at) - block / 48_000  # from the end of a block to its reader
    burst_s = max(0, PERIOD - block) / 48_000  # blocks of less than the server's period come in bursts
    assert -burst_s - 0.005 < late_s < 0.05  # arrivals jitter about where they are placed
    if not told:  # the clock of a server that slips is no measure
        assert np.polyfit(frames, at, 1)[0] * 48_000 == pytest.approx(1.0, abs=0.001)


BEREFT = """
import json
from bridge.edge.audio import open_input
from bridge.edge.host_clock import now
from bridge.edge.live_input import InputHangsError
from bridge.events import SoundLost
from bridge.rig import SoundInput

told = []
with open_input(SoundInput(device="system", block=256), 2) as sound:
    print("open", flush=True)
    end = now() + 10.0
    try:
        while now() < end:
            if isinstance(got := sound.read(0.1), SoundLost):
                told.append(got.why)
    except InputHangsError as error:
        told.append(str(error))
print(json.dumps(told), flush=True)
"""


def test_a_server_that_dies_is_told_and_its_listener_can_end(tmp_path: Path) -> None:
    """PortAudio waits ten minutes for a dead JACK server; whoever hears through it knows within seconds, and goes."""
    with (
        running_jack_server(f"bridge-dies-{os.getpid()}", tmp_path / "jackd.log") as server,
        in_process_of_its_own(BEREFT, env=server.env) as child,
    ):
        assert first_line(child) == "open\n"
        time.sleep(0.5)
        os.kill(server.pid, signal.SIGTERM)
        told = rest(child)
    assert any('no sound from "system' in why for why in json.loads(told))


EARLY = """
import sys, time
from bridge.edge.audio import open_input
from bridge.errors import DeviceError
from bridge.rig import SoundInput

while True:
    try:
        with open_input(SoundInput(device="system"), 2) as sound:
            print(sound.source, flush=True)
            break
    except DeviceError as error:
        print(error, flush=True)
        time.sleep(0.2)
"""


def test_a_device_that_comes_late_is_found_by_the_process_that_missed_it(tmp_path: Path) -> None:
    name = f"bridge-late-{os.getpid()}"
    env = os.environ | {"JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1"}
    with in_process_of_its_own(EARLY, env=env) as child:
        assert "matches no sound input. Present now: none" in first_line(child)
        with running_jack_server(name, tmp_path / "jackd.log"):
            assert rest(child).splitlines()[-1] == "system, JACK Audio Connection Kit"


REFUSALS = """
import json
from bridge.edge.audio import open_input
from bridge.errors import DeviceError
from bridge.rig import SoundInput

def said(sound, channels):
    try:
        with open_input(sound, channels):
            return ""
    except DeviceError as error:
        return str(error)

print(json.dumps([
    said(SoundInput(device="system"), 3),
    said(SoundInput(device="system", rate=44100), 2),
    said(SoundInput(device="winch room"), 2),
    said(SoundInput(device="SYST"), 2),
    said(SoundInput(), 2),
]))
"""


def test_what_a_device_cannot_do_is_refused_with_what_it_can(jack_server: JackServer) -> None:
    with in_process_of_its_own(REFUSALS, env=jack_server.env) as child:
        told = rest(child)
    channels, rate, name, part_of_name, default = json.loads(told)
    assert "has 2 inputs, and the decks name input 3" in channels
    assert "refuses 44100 frames per second; its own rate is 48000. Write rate = 48000" in rate
    assert '"winch room" matches no sound input. Present now: "system, JACK' in name
    assert (part_of_name, default) == ("", "")
