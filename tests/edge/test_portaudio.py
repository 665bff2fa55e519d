"""Live sound through the real PortAudio, from a private JACK server on which the test plays."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.conftest import JackServer, running_jack_server

jack = pytest.importorskip("jack", reason="JACK-Client is absent, or libjack (Debian: libjack-jackd2-0)")
pytestmark = pytest.mark.jack

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


class Player:
    """A JACK client with two outputs: frames counted, and their count negated. A cycle that it misses leaves a gap."""

    def __init__(self, server: JackServer) -> None:
        self.client = jack.Client("tape player", no_start_server=True, servername=server.name)
        self.xruns = 0
        self._outputs = [self.client.outports.register(name) for name in ("left", "right")]
        self.client.set_process_callback(self._process)
        self.client.set_xrun_callback(self._xrun)

    def _process(self, frames: int) -> None:
        first = self.client.last_frame_time
        left, right = (port.get_array() for port in self._outputs)
        left[:] = ((first + np.arange(frames)) % COUNT) / COUNT
        right[:] = -left

    def _xrun(self, _delayed_us: float) -> None:
        self.xruns += 1

    def plug_into(self, name: str) -> None:
        """Take the listener's inputs off the server's own and connect them to the player."""
        inputs = [port for port in self.client.get_ports(is_audio=True, is_input=True) if port.name.startswith(name)]
        for output, port in zip(self._outputs, inputs, strict=True):
            for other in self.client.get_all_connections(port):
                self.client.disconnect(other, port)
            self.client.connect(output, port)


@pytest.fixture
def player(jack_server: JackServer) -> Iterator[Player]:
    """A player, on a server with periods long enough for Python not to miss one."""
    player = Player(jack_server)
    player.client.activate()
    player.client.blocksize = 1024
    try:
        yield player
    finally:
        player.client.blocksize = jack_server.period
        player.client.deactivate()
        player.client.close()


def in_process_of_its_own(script: str, *arguments: Any, env: dict[str, str]) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", script, *map(str, arguments)]
    return subprocess.Popen(command, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def heard_by_a_listener(server: JackServer, player: Player, path: Path, seconds: float, block: int) -> Any:
    """Play to a listener for some seconds, and return what it noted."""
    with in_process_of_its_own(LISTENER, seconds, block, path, env=server.env) as child:
        assert child.stdout is not None
        opened = child.stdout.readline()
        assert opened, child.communicate(timeout=10)[1]
        player.plug_into("PortAudio")
        told, errors = child.communicate(timeout=seconds + 20)
    assert child.returncode == 0, errors
    return json.loads(opened), json.loads(told), np.load(path)


@pytest.mark.parametrize("block", [256, 1024])
def test_what_is_played_arrives_in_order_without_gaps_and_on_time(
    jack_server: JackServer, player: Player, tmp_path: Path, block: int
) -> None:
    """Frames are lost only where the server itself said so, and host time runs as the device does."""
    seconds = 3.0
    opened, told, noted = heard_by_a_listener(jack_server, player, tmp_path / "heard.npz", seconds, block)
    assert opened == {"rate": 48_000, "channels": 2, "source": "system, JACK Audio Connection Kit"}

    left, right = noted["samples"].T
    begin = max(np.flatnonzero(left)[0], np.flatnonzero(right)[0])  # the second is plugged in a little later
    played = left[begin:]
    assert np.array_equal(played, -right[begin:])
    assert len(played) > seconds * 48_000 / 2
    steps = np.diff(np.round(played.astype(np.float64) * COUNT).astype(int)) % COUNT
    breaks = steps[steps != 1]
    assert len(breaks) <= 2 * player.xruns  # each of the two clients may miss a cycle then, and at no other time

    frames, at = noted["frames"], noted["times"]
    assert (np.diff(at) > 0).all()
    assert sum(lost for lost, _why in told) == frames[-1] - frames[0] - block * (len(frames) - 1)
    early_s = max(0, 1024 - block) / 48_000  # blocks of less than the server's period come in bursts
    assert block / 48_000 - early_s < np.median(noted["reads"] - at) < 0.1
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
        assert child.stdout is not None
        assert child.stdout.readline() == "open\n"
        time.sleep(0.5)
        os.kill(server.pid, signal.SIGTERM)
        told, errors = child.communicate(timeout=20)
    assert child.returncode == 0, errors
    assert any('no sound from "system' in why for why in json.loads(told))


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
        told, errors = child.communicate(timeout=20)
    assert child.returncode == 0, errors
    channels, rate, name, part_of_name, default = json.loads(told)
    assert "has 2 inputs, and the decks name input 3" in channels
    assert "refuses 44100 frames per second; its own rate is 48000. Write rate = 48000" in rate
    assert '"winch room" matches no sound input. Present now: "system, JACK' in name
    assert (part_of_name, default) == ("", "")
