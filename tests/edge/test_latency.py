"""Latency on a private JACK server, through a loop that delays by a known number of frames."""

from __future__ import annotations

import json
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.edge.latency import _Notes
from bridge.testing.clock import FakeClock
from tests.conftest import JackServer
from tests.loops import loop, tapebridge

RATE = 48_000
RIG = """
[sound]
device = "system"
[[decks]]
name = "north"
channels = [1]
[[pedals]]
name = "stutter"
port = "loop:pedal"
channel = 5
listens_to = "north"
[midi]
api = "jack"
"""


def told(server: JackServer, *words: str, status: int | None = 0) -> dict[str, Any]:
    done = tapebridge(server, "measure", "latency", "--input", "1", "--json", *words)
    assert status is None or done.returncode == status, done.stderr
    return dict(json.loads(done.stdout)) | {"stderr": done.stderr}


ON, OFF = bytes((0x90, 60, 64)), bytes((0x80, 60, 64))


class Port:
    """A port that writes down what it is sent, and when."""

    found = "pedal"

    def __init__(self, clock: FakeClock) -> None:
        self.log: list[tuple[float, bytes]] = []
        self._clock = clock

    def send(self, data: bytes) -> None:
        self.log.append((self._clock(), data))

    def present(self) -> bool:
        return True

    def close(self) -> None:
        pass


CLICK = ("--output", "1", "--count", "5", "--yes")


@pytest.mark.jack
@pytest.mark.skipif(find_spec("jack") is None, reason="JACK-Client is absent (it is installed on Linux only)")
def test_a_click_through_a_longer_loop_takes_as_much_longer_as_the_loop_is(jack_server: JackServer) -> None:
    """To a tenth of a frame: JACK, PortAudio and the two clients add the same to both.

    Where this machine was too busy to play without gaps, which is told, it is measured again.
    """
    median_ms = []
    for delay in (0, 1234):
        for _ in range(3):
            with loop(jack_server, delay):
                found = told(jack_server, *CLICK, status=None)
            if found["trouble"] is None or not found["interrupted"]:
                break
        else:
            pytest.skip("this machine was too busy three times to play without gaps")
        assert found["answers"]["heard"] >= 4  # one may fall into a gap of a busy machine
        assert found["level_db"] == pytest.approx(-30.0, abs=6)  # gaps eat of it
        assert not found["turned"]
        median_ms.append(found["answers"]["median_ms"])
    assert (median_ms[1] - median_ms[0]) * RATE / 1000 == pytest.approx(1234, abs=0.1)


@pytest.mark.jack
@pytest.mark.skipif(find_spec("jack") is None, reason="JACK-Client is absent (it is installed on Linux only)")
@pytest.mark.parametrize("delay", [480, 4800])
def test_a_note_is_heard_as_late_as_the_pedal_answers(jack_server: JackServer, tmp_path: Path, delay: int) -> None:
    """On the pedal's own port and channel. JACK adds up to two periods, of 5.3 ms, before and behind the pedal.

    Where this machine was too busy to hear without gaps, which is told, it is measured again.
    """
    (tmp_path / "rig.toml").write_text(RIG)
    words = (str(tmp_path / "rig.toml"), "--pedal", "stutter", "--note", "61", "--count", "7")
    for _ in range(3):
        with loop(jack_server, delay) as peer:
            found = told(jack_server, *words, status=None)  # the answers may still spread too much
            seen = peer.end()
        if not found["lost"] and found["answers"]["heard"] >= 5:
            break
    else:
        pytest.skip("this machine was too busy three times to hear the server without gaps")
    sent = [bytes.fromhex(data) for _, _, data in seen["came"]]
    assert set(sent) == {bytes((0x94, 61, 64)), bytes((0x84, 61, 64))}
    assert 12 <= len(sent) <= 14  # a client of JACK that misses a period never sees what came in it
    began = dict(seen["tones"])
    came = {frame: at for frame, at, data in seen["came"] if data.startswith("94")}
    took_ms = [1000 * (began[frame + delay] - at) for frame, at in came.items() if frame + delay in began]
    assert found["answers"]["median_ms"] == pytest.approx(np.median(took_ms), abs=12)


@pytest.mark.jack
@pytest.mark.skipif(find_spec("jack") is None, reason="JACK-Client is absent (it is installed on Linux only)")
def test_where_nothing_comes_back_it_says_so_and_what_to_do(jack_server: JackServer) -> None:
    """Nothing is plugged in: the server's own inputs are silent."""
    found = told(jack_server, *CLICK, status=1)
    assert found["answers"]["heard"] == 0
    assert found["answers"]["median_ms"] is None
    assert "heard 0 of 5 times. See that the cable goes from that output to that input" in found["stderr"]


@pytest.mark.jack
def test_an_output_that_is_not_there_is_refused(jack_server: JackServer) -> None:
    done = tapebridge(jack_server, "measure", "latency", "--input", "1", "--output", "9", "--yes")
    assert done.returncode == 1
    assert "has 2 outputs, and output 9 was asked for" in done.stderr


def test_each_note_is_ended_and_none_keeps_step_with_the_sound() -> None:
    """Against an injected clock: notes fall unevenly within a block of any common length, and each has its end."""
    clock = FakeClock(100.0)
    port = Port(clock)
    notes = _Notes(port, ON, OFF, 10, clock)
    while (at := notes()) is not None:
        clock.advance_to(at)
    notes.close()
    assert [data for _, data in port.log] == [ON, OFF] * 10
    assert notes.sent == [at for at, data in port.log if data == ON]
    for block in (256, 512, 1024):
        phases = np.array(notes.sent) * RATE / block % 1
        assert np.ptp(phases) > 0.5


def test_a_note_that_is_held_is_ended_whatever_happens() -> None:
    clock = FakeClock(100.0)
    port = Port(clock)
    notes = _Notes(port, ON, OFF, 10, clock)
    at = notes()
    assert at is not None
    clock.advance_to(at)
    notes()
    notes.close()
    assert [data for _, data in port.log] == [ON, OFF]
