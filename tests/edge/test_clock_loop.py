"""A clock over a cable, on a private JACK server: what is told, against when the bytes truly arrived."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.edge.clock_loop import TEMPI, arrivals
from bridge.edge.midi_in import Came
from bridge.measure.clock import clock_heard
from tests.conftest import JACK_SHORT_PERIOD, JackServer, running_jack_server
from tests.loops import loop, tapebridge

SECONDS = 5.0


def due() -> list[float]:
    """When each tick is due, from the first on."""
    at = [0.0]
    while at[-1] < SECONDS:
        at.append(at[-1] + 2.5 / TEMPI[at[-1] > SECONDS / 2])
    return at


@pytest.fixture
def quick_server(tmp_path: Path) -> Iterator[JackServer]:
    """A server of short periods."""
    with running_jack_server(f"bridge-quick-{os.getpid()}", tmp_path / "jackd.log", JACK_SHORT_PERIOD) as server:
        yield server


@pytest.mark.jack
@pytest.mark.skipif(find_spec("jack") is None, reason="JACK-Client is absent (it is installed on Linux only)")
def test_delay_and_jitter_are_those_of_the_arriving_bytes(quick_server: JackServer) -> None:
    """The cable is a client that passes each byte on 480 frames later, and notes the true frame of each.

    Told and true jitter may differ by a period of the server, 1.3 ms, since RtMidi stamps at its beginning. Frames are
    a measure of time only while the server is not kept from running: otherwise it is measured again.
    """
    for _ in range(3):
        told, seen, done = measured(quick_server)
        went = [(frame / quick_server.rate, at) for frame, at, data in seen["went"] if data == "f8"]
        assert told["heard"] + told["strange"] <= len(went) <= told["sent"] <= len(due())
        by_frame, by_host = (clock_heard(due(), np.array(stamps) - stamps[0]) for stamps in zip(*went, strict=True))
        if len(went) == len(due()) and abs(by_frame.jitter_ms - by_host.jitter_ms) < 0.5:
            break
    else:
        pytest.skip("this machine was too busy three times for the JACK server to keep time")
    assert (done.returncode, done.stderr == "") == ((0, True) if told["heard"] == told["sent"] else (1, False))
    assert told["jitter_ms"] == pytest.approx(by_frame.jitter_ms, abs=1.4)
    assert told["p99_ms"] == pytest.approx(by_frame.p99_ms, abs=2.7)
    assert 10.0 - 1.4 <= told["delay_ms"] < 10.0 + 15.0  # 480 frames last 10 ms; then the server's and the ports' own


def measured(server: JackServer) -> tuple[dict[str, Any], dict[str, Any], subprocess.CompletedProcess[str]]:
    """Return what is told, what the cable saw, and the command that ended."""
    words = ("measure", "clock", "loop:thru", "loop:pedal", "--api", "jack", "--for", f"{SECONDS:g}", "--json")
    with loop(server, 480) as peer:
        done = tapebridge(server, *words)
        seen = peer.end()
    assert done.stdout, done.stderr
    return json.loads(done.stdout), seen, done


@pytest.mark.jack
@pytest.mark.skipif(find_spec("jack") is None, reason="JACK-Client is absent (it is installed on Linux only)")
def test_ports_that_are_not_there_are_named_with_those_that_are(jack_server: JackServer) -> None:
    with loop(jack_server, 480):
        no_input = tapebridge(jack_server, "measure", "clock", "Pedals A", "loop:pedal", "--api", "jack")
        no_output = tapebridge(jack_server, "measure", "clock", "loop:thru", "Pedals A", "--api", "jack")
    assert (no_input.returncode, no_output.returncode) == (1, 1)
    assert '"Pedals A" matches no MIDI input. Present now: ' in no_input.stderr
    assert '"loop:thru"' in no_input.stderr
    assert '"Pedals A" matches no MIDI output. Present now: ' in no_output.stderr
    assert '"loop:pedal"' in no_output.stderr


def test_where_the_driver_stamps_its_stamps_count() -> None:
    """Laid against host time where this process was least late; it was late by up to 4 ms."""
    true = 10.0 + np.arange(50) * 0.02
    late = np.abs(np.random.default_rng(1).normal(0, 0.002, 50))
    late[7] = 0.0
    gaps = [0.0, *np.diff(true)]
    came = [Came(at=at + by, gap_s=gap, data=b"\xf8") for at, by, gap in zip(true, late, gaps, strict=True)]
    assert arrivals(came) == pytest.approx(true)


def test_where_the_driver_stamps_nothing_the_process_does() -> None:
    came = [Came(at=at, gap_s=0.0, data=b"\xf8") for at in (1.0, 1.5, 1.6)]
    assert arrivals(came) == [1.0, 1.5, 1.6]
    assert arrivals([]) == []
