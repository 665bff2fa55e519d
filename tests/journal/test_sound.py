"""The sound of a take is kept to the sample, or ends without troubling anybody."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from bridge.errors import TakeError
from bridge.events import MarkPlaced
from bridge.journal import sound
from bridge.journal.recover import recover
from bridge.journal.sound import FILLED_S, SoundWriter
from bridge.journal.writer import JournalWriter

RATE = 4000
"""Low, so that minutes of noise are cheap."""


def noise(frames: int, channels: int = 2) -> NDArray[np.float32]:
    """Noise on the grid of 24 bits, so that it can be kept exactly. Shape (frames, channels)."""
    whole = np.random.default_rng(7).integers(-(2**22), 2**22, (frames, channels))
    return (whole / 2**23).astype(np.float32)


def kept(folder: Path) -> NDArray[np.float32]:
    return np.concatenate([soundfile.read(path, dtype="float32", always_2d=True)[0] for path in segments(folder)])


def segments(folder: Path) -> list[Path]:
    return sorted(folder.glob("sound-*.flac"))


def play(writer: SoundWriter, samples: NDArray[np.float32], block: int, first: int = 0) -> None:
    for begin in range(0, len(samples), block):
        writer.write(first + begin, samples[begin : begin + block])


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A queue that takes minutes at once, for tests that play faster than a disk must be."""
    monkeypatch.setattr(sound, "QUEUE_S", 1e6)


@pytest.mark.usefixtures("patient")
def test_five_minutes_make_three_segments_that_join_to_the_same_samples(tmp_path: Path) -> None:
    played = noise(300 * RATE)
    with SoundWriter(tmp_path, RATE, 2) as writer:
        play(writer, played, 4096)
    names = [path.name for path in segments(tmp_path)]
    assert names == [f"sound-001-{n:012}.flac" for n in (0, 120 * RATE, 240 * RATE)]
    np.testing.assert_array_equal(kept(tmp_path), played)
    assert (writer.failure, writer.dropped) == (None, 0)
    assert soundfile.info(segments(tmp_path)[0]).subtype == "PCM_24"


@pytest.mark.usefixtures("patient")
def test_a_gap_begins_a_new_segment_named_by_its_true_first_frame(tmp_path: Path) -> None:
    played = noise(3000)
    with SoundWriter(tmp_path, RATE, 2) as writer:
        play(writer, played[:1000], 256)
        play(writer, played[1000:], 256, first=6000)
    assert [path.name[10:22] for path in segments(tmp_path)] == ["000000000000", "000000006000"]
    np.testing.assert_array_equal(kept(tmp_path), played)


@pytest.mark.usefixtures("patient")
def test_a_gap_of_a_moment_is_silence_in_its_segment(tmp_path: Path) -> None:
    played, lost = noise(3000), round(FILLED_S * RATE)
    with SoundWriter(tmp_path, RATE, 2) as writer:
        play(writer, played[:1000], 256)
        play(writer, played[1000:2000], 256, first=1000 + lost)
        play(writer, played[2000:], 256, first=2000 + 2 * lost + 1)
    assert [path.name[10:22] for path in segments(tmp_path)] == [f"{n:012}" for n in (0, 2000 + 2 * lost + 1)]
    silence = np.zeros((lost, 2), np.float32)
    np.testing.assert_array_equal(kept(tmp_path), np.concatenate([played[:1000], silence, played[1000:]]))


def test_a_restarted_listener_never_overwrites(tmp_path: Path) -> None:
    for start in (1, 2):
        with SoundWriter(tmp_path, RATE, 1, start) as writer:
            play(writer, noise(500, 1), 100)
    assert [path.name for path in segments(tmp_path)] == [f"sound-{n:03}-{0:012}.flac" for n in (1, 2)]
    with pytest.raises(TakeError, match="sound of start 2 is there already"):
        SoundWriter(tmp_path, RATE, 1, start=2)


@pytest.mark.usefixtures("patient")
def test_what_dry_taps_carry_lies_beside_the_sound_frame_by_frame(tmp_path: Path) -> None:
    played = noise(130 * RATE, 3)
    with SoundWriter(tmp_path, RATE, 2) as mix, SoundWriter(tmp_path, RATE, 1, what="tap") as tap:
        play(mix, played[:, :2], 400)
        play(tap, played[:, 2:], 400)
    taps = sorted(tmp_path.glob("tap-*.flac"))
    assert [path.name for path in taps] == [path.name.replace("sound", "tap") for path in segments(tmp_path)]
    heard = np.concatenate([soundfile.read(path, dtype="float32", always_2d=True)[0] for path in taps])
    np.testing.assert_array_equal(np.concatenate([kept(tmp_path), heard], axis=1), played)


def test_beyond_full_scale_is_clipped_and_nan_is_silence(tmp_path: Path) -> None:
    with SoundWriter(tmp_path, RATE, 1) as writer:
        writer.write(0, np.array([[np.nan], [3.0], [-3.0], [np.inf], [-np.inf], [0.25]], np.float32))
    full = 1 - 2.0**-23
    np.testing.assert_array_equal(kept(tmp_path)[:, 0], np.array([0, full, -1, full, -1, 0.25], np.float32))
    assert writer.failure is None


def test_a_block_may_be_reused_by_its_sender(tmp_path: Path) -> None:
    block = noise(100, 1)
    before = block.copy()
    with SoundWriter(tmp_path, RATE, 1) as writer:
        writer.write(0, block)
        block[:] = 0.5
    np.testing.assert_array_equal(kept(tmp_path), before)


def test_a_full_disk_ends_sound_before_the_journal_and_raises_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with SoundWriter(tmp_path, RATE, 2) as writer:
        play(writer, noise(2 * RATE), 400)
        monkeypatch.setattr(sound, "KEEP_FREE_BYTES", 10**18)
        play(writer, noise(2 * RATE), 400, first=2 * RATE)
    assert writer.failure is not None
    assert str(tmp_path) in writer.failure
    assert "MB are free, and they are for the journal" in writer.failure


def test_what_the_system_refuses_is_told_once_and_the_rest_is_not_kept(tmp_path: Path) -> None:
    folder = tmp_path / "gone"
    with SoundWriter(folder, RATE, 2) as writer:
        play(writer, noise(1000), 100)
    assert writer.failure is not None
    assert "No such file or directory" in writer.failure
    assert not folder.exists()


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="mounting a small disk needs root")
@pytest.mark.usefixtures("patient")
def test_a_really_full_disk_is_told_and_what_was_kept_reads_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sound, "KEEP_FREE_BYTES", 0)
    if os.system(f"mount -t tmpfs -o size=1m tmpfs {tmp_path} 2>/dev/null"):
        pytest.skip("this system does not let root mount a small disk")
    try:
        played = noise(100 * RATE)
        with SoundWriter(tmp_path, RATE, 2) as writer:
            play(writer, played, 400)
        assert writer.failure is not None
        with soundfile.SoundFile(segments(tmp_path)[0]) as torn:
            begin = torn.read(10 * RATE, dtype="float32")
        np.testing.assert_array_equal(begin, played[: 10 * RATE])
    finally:
        os.system(f"umount {tmp_path}")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="mounting a small disk needs root")
@pytest.mark.usefixtures("patient")
def test_on_a_full_disk_sound_ends_first_and_the_journal_goes_on_from_its_reserve(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk of 4 MB, of which 2 MB are kept for the journal; then somebody else fills it to the last byte."""
    monkeypatch.setattr(sound, "KEEP_FREE_BYTES", 2_000_000)
    if os.system(f"mount -t tmpfs -o size=4m tmpfs {tmp_path} 2>/dev/null"):
        pytest.skip("this system does not let root mount a small disk")
    try:
        with JournalWriter(tmp_path / "journal.jsonl") as journal:
            with SoundWriter(tmp_path, RATE, 2) as writer:
                play(writer, noise(200 * RATE), 400)
            assert "for the journal" in str(writer.failure)
            fill(tmp_path / "somebody-else")
            for number in range(2000):
                journal.write(MarkPlaced(at=float(number), wall=0.0, text="the kettle boils over" * 10))
        assert not (tmp_path / "journal.reserve").exists()
        found = recover((tmp_path / "journal.jsonl").read_bytes())
        assert [fact.at for fact in found.facts] == [float(number) for number in range(2000)]
        assert found.faults == ()
    finally:
        os.system(f"umount {tmp_path}")


def fill(path: Path) -> None:
    """Take all the room that a disk has."""
    with contextlib.suppress(OSError), path.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))


def test_a_slow_disk_drops_blocks_counts_them_and_names_the_gap(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = threading.Event()
    keep = SoundWriter._keep

    def slowly(writer: SoundWriter, frame: int, samples: NDArray[np.float32]) -> None:
        go_on.wait(5)
        keep(writer, frame, samples)

    monkeypatch.setattr(SoundWriter, "_keep", slowly)
    played = noise(15 * RATE)
    with SoundWriter(tmp_path, RATE, 2) as writer:
        begun = time.perf_counter()
        play(writer, played[: 14 * RATE], 400)
        assert time.perf_counter() - begun < 1.0
        go_on.set()
        give_up = time.monotonic() + 5
        while writer._waiting and time.monotonic() < give_up:
            time.sleep(0.005)
        play(writer, played[14 * RATE :], 400, first=14 * RATE)
    assert 3.8 * RATE <= writer.dropped <= 4 * RATE
    assert len(segments(tmp_path)) == 2
    assert len(kept(tmp_path)) == 15 * RATE - writer.dropped
    np.testing.assert_array_equal(kept(tmp_path)[-RATE:], played[-RATE:])


def test_a_disk_that_hangs_is_left_after_the_limit_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound, "LEAVE_S", 0.05)
    let_go = threading.Event()
    monkeypatch.setattr(SoundWriter, "_keep", lambda *_: let_go.wait(10))
    with SoundWriter(tmp_path, RATE, 1) as writer:
        writer.write(0, noise(10, 1))
    let_go.set()
    assert writer.failure is not None
    assert "did not take the last sound within 0.05 s" in writer.failure


@pytest.mark.parametrize("channels", [0, 9])
def test_more_channels_than_flac_holds_are_refused_with_what_to_do(tmp_path: Path, channels: int) -> None:
    with pytest.raises(TakeError, match=rf"{channels} channels cannot be kept: FLAC holds 1 to 8.*take\.sound = false"):
        SoundWriter(tmp_path, RATE, channels)
