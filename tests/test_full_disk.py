"""A disk that fills up under a running set: sound ends, the journal goes on from its reserve, the clock goes on."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from bridge.events import Fact, LevelHeard, ListenerStarted, MarkPlaced, SoundNotKept, TakeEnded
from bridge.journal.recover import recover
from tests.conftest import JackServer
from tests.test_live import RIG, last, pids_left, wait_for

ROOT = Path(__file__).parent.parent
BEGIN_TEMPO = 72.0
PLAYED_S = 5.0
STOOD_TICKS = 4
"""A clock that waits for a disk leaves a longer gap: on a server that stands still for a moment ticks only bunch."""

DISK_MB = 260
"""More than a set wants to begin with."""

pytestmark = [
    pytest.mark.jack,
    pytest.mark.timeout(60),
    pytest.mark.skipif(
        not hasattr(os, "geteuid") or os.geteuid() != 0, reason="mounting a small disk needs root, who may not be here"
    ),
]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own for takes, of memory."""
    disk = tmp_path / "takes"
    disk.mkdir()
    if os.system(f"mount -t tmpfs -o size={DISK_MB}m tmpfs {disk} 2>/dev/null"):
        pytest.skip("this system does not let root mount a small disk")
    try:
        yield disk
    finally:
        os.system(f"umount {disk}")


def fill(path: Path) -> None:
    """Take all the room that a disk has, to the last byte."""
    with contextlib.suppress(OSError), path.open("wb", buffering=0) as file:
        while file.write(bytes(1 << 20)) == 1 << 20:
            pass
        while file.write(b"\0"):
            pass


def set_on(disk: Path, home: Path, env: dict[str, str]) -> tuple[int, str, tuple[Fact, ...], dict[str, list]]:
    """Play hiss for `PLAYED_S`, fill the disk early in it, place a mark after that, and end the set.

    Returns:
        Status and output of the bridge, the facts of its take, and what the pedal stamped.
    """
    (home / "rig.toml").write_text(
        RIG.replace('listens_to = "north"', f'listens_to = "north"\nbegin_tempo = {BEGIN_TEMPO}')
    )
    hiss = np.random.default_rng(1).normal(0.0, 0.05, round(PLAYED_S * 48_000))
    soundfile.write(home / "hiss.wav", hiss, 48_000, subtype="FLOAT")
    command = [sys.executable, "-m", "bridge"]
    bridge = subprocess.Popen(
        [*command, "run", "rig.toml"],
        cwd=home,
        env=env,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    peer_command = [sys.executable, "-m", "tests.jack_peer", str(home / "hiss.wav"), str(PLAYED_S), str(home / "out")]
    peer = subprocess.Popen(peer_command, cwd=ROOT, env=env, stdin=subprocess.DEVNULL)
    try:
        take = wait_for(lambda: next(disk.glob("*/journal.jsonl"), None), "take").parent
        wait_for(lambda: last(LevelHeard, take), "sound")
        fill(disk / "somebody-else")
        wait_for(lambda: last(SoundNotKept, take), "word of the full disk")
        subprocess.run([*command, "mark", "the hold is full"], cwd=home, env=env, check=True, timeout=20)
        peer.wait(timeout=30)
        bridge.terminate()
        output, _ = bridge.communicate(timeout=30)
    except AssertionError as error:
        bridge.terminate()
        raise AssertionError(f"{error}; the bridge said: {bridge.communicate(timeout=30)[0]}") from error
    finally:
        for process in (peer, bridge):
            if process.poll() is None:
                process.kill()
                process.wait()
    found = recover((take / "journal.jsonl").read_bytes())
    assert found.faults == ()
    listener = next(fact for fact in found.facts if isinstance(fact, ListenerStarted))
    assert pids_left([bridge.pid, peer.pid, listener.pid]) == []
    return bridge.returncode, output, found.facts, json.loads((home / "out").read_text())


def test_a_disk_that_fills_up_ends_sound_spares_the_journal_and_never_reaches_the_clock(
    small_disk: Path, tmp_path: Path, jack_server: JackServer
) -> None:
    env = jack_server.env | {"TAPEBRIDGE_RUNTIME": str(tmp_path / "runtime"), "PYTHONPATH": str(ROOT)}
    status, output, facts, seen = set_on(small_disk, tmp_path, env)
    [ended] = [fact for fact in facts if isinstance(fact, SoundNotKept)]
    assert "free" in ended.why or "space" in ended.why, ended.why
    after = [fact for fact in facts if fact.at > ended.at]
    assert [fact.text for fact in after if isinstance(fact, MarkPlaced)] == ["the hold is full"]
    assert sum(isinstance(fact, LevelHeard) for fact in after) >= 1
    assert isinstance(facts[-1], TakeEnded)
    assert len([fact for fact in facts if isinstance(fact, ListenerStarted)]) == 1
    assert status in (0, 1), output  # 1: the review had no room
    at = np.array([frame / seen["rate"] for frame, data in seen["stamps"] if data == "f8"])
    assert {data for _, data in seen["stamps"]} == {"f8"}
    assert at[-1] - at[0] > 0.8 * PLAYED_S
    ticks = np.diff(at) / np.median(np.diff(at))  # without hardware a busy machine's JACK frames pass too slowly
    assert np.mean((ticks > 0.5) & (ticks < 1.5)) > 0.9
    assert ticks.max() < STOOD_TICKS
