"""Sound files in place of a device: what is read of them, when, and what is said of those that cannot be read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.edge.audio import FileInput, SoundEnded
from bridge.errors import SoundFileError
from bridge.events import SoundHeard, SoundLost
from bridge.testing.clock import FakeClock


def noise(frames: int, channels: int = 2) -> np.ndarray:
    return np.random.default_rng(1).uniform(-0.5, 0.5, (frames, channels)).astype(np.float32)


def read_all(path: Path, block: int = 256) -> tuple[list[SoundHeard], list[SoundLost]]:
    heard, lost = [], []
    with FileInput(path, "fast", block=block) as file:
        while not isinstance(got := file.read(0), SoundEnded):
            assert got is not None
            (heard if isinstance(got, SoundHeard) else lost).append(got)
        assert file.read(0) == got  # and it says so again
    return heard, lost


def cut(path: Path, share: float) -> Path:
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])
    return path


@pytest.mark.parametrize(
    ("rate", "channels", "name", "subtype"),
    [
        (8_000, 1, "mono.wav", "PCM_16"),
        (96_000, 2, "fast.wav", "PCM_24"),
        (192_000, 2, "fastest.wav", "PCM_32"),
        (44_100, 8, "many.wav", "FLOAT"),
        (48_000, 8, "many.flac", "PCM_24"),
        (48_000, 1, "double.aiff", "DOUBLE"),
    ],
)
def test_every_sample_of_a_file_arrives_once_in_order_at_its_time(
    tmp_path: Path, rate: int, channels: int, name: str, subtype: str
) -> None:
    samples = noise(1000, channels)
    soundfile.write(tmp_path / name, samples, rate, subtype=subtype)
    with FileInput(tmp_path / name, "fast") as file:
        assert (file.rate, file.channels, file.source) == (rate, channels, str(tmp_path / name))
    heard, lost = read_all(tmp_path / name)
    assert not lost
    assert [block.frame for block in heard] == [0, 256, 512, 768]
    assert [block.at for block in heard] == pytest.approx([block.frame / rate for block in heard])
    assert np.abs(np.concatenate([block.samples for block in heard]) - samples).max() < 2**-14
    assert all(block.samples.dtype == np.float32 for block in heard)


@settings(max_examples=20, deadline=None)
@given(block=st.integers(32, 4096))
def test_the_same_samples_come_for_any_block(tmp_path_factory: pytest.TempPathFactory, block: int) -> None:
    path = tmp_path_factory.mktemp("sound") / "gravel path.wav"
    samples = noise(10_000, 1)
    soundfile.write(path, samples, 48_000, subtype="FLOAT")
    heard, _ = read_all(path, block)
    assert np.array_equal(np.concatenate([part.samples for part in heard]), samples)
    assert {len(part.samples) for part in heard[:-1]} <= {block}


def test_numbers_that_are_none_are_passed_on(tmp_path: Path) -> None:
    """Whoever follows the sound decides what a NaN is worth; the edge changes nothing."""
    samples = noise(300, 1)
    samples[7], samples[8] = np.nan, np.inf
    soundfile.write(tmp_path / "kettle.wav", samples, 48_000, subtype="FLOAT")
    heard, _ = read_all(tmp_path / "kettle.wav")
    assert np.array_equal(heard[0].samples, samples[:256], equal_nan=True)


@pytest.mark.parametrize(
    ("name", "subtype"),
    [("a.wav", "PCM_24"), ("a.wav", "FLOAT"), ("a.aiff", "PCM_16"), ("a.au", "PCM_16"), ("a.flac", "PCM_16")],
)
@pytest.mark.parametrize("block", [32, 4096])
def test_a_file_cut_short_is_read_as_far_as_it_goes_and_then_told(
    tmp_path: Path, name: str, subtype: str, block: int
) -> None:
    """What was read and what is said to be missing make up the whole, and what was read is not far from the cut."""
    samples = noise(48_000)
    soundfile.write(tmp_path / name, samples, 48_000, subtype=subtype)
    heard, (lost,) = read_all(cut(tmp_path / name, 0.5), block)
    read = np.concatenate([part.samples for part in heard])
    assert len(read) + lost.frames == 48_000
    assert 17_000 < len(read) <= 24_500
    assert np.abs(read - samples[: len(read)]).max() < 2**-14
    assert lost.at == pytest.approx(len(read) / 48_000)
    assert "cut short" in lost.why


def test_a_recording_that_was_piped_promises_nothing(tmp_path: Path) -> None:
    """A size of all ones in the header of a WAV means that its writer could not go back: nothing is missing."""
    path = tmp_path / "piped.wav"
    soundfile.write(path, noise(1000), 48_000, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    at = content.index(b"data") + 4
    content[4:8] = content[at : at + 4] = b"\xff\xff\xff\xff"
    path.write_bytes(content)
    heard, lost = read_all(path)
    assert sum(len(block.samples) for block in heard) == 1000
    assert not lost


REFUSED = [
    ("empty.wav", b"", "is empty, 0 bytes. Copy or record it again."),
    ("text.wav", b"once upon a time" * 100, "is no sound file that can be read: Format not recognised. Give it as WAV"),
    ("numbers.raw", b"0123" * 100, "is no sound file that can be read"),
]


@pytest.mark.parametrize(("name", "content", "said"), REFUSED)
def test_a_file_that_is_no_sound_is_refused(tmp_path: Path, name: str, content: bytes, said: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(SoundFileError) as refusal:
        FileInput(tmp_path / name, "fast")
    assert str(refusal.value).startswith(f"{tmp_path / name}: the file {said}")


def test_a_header_without_sound_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", noise(0), 48_000)
    with pytest.raises(SoundFileError, match="holds no sound, 0 frames"):
        FileInput(tmp_path / "a.wav", "fast")
    soundfile.write(tmp_path / "b.wav", noise(100), 48_000)
    with pytest.raises(SoundFileError, match="no sound file that can be read"):
        FileInput(cut(tmp_path / "b.wav", 30 / 444), "fast")


@pytest.mark.parametrize("rate", [4_000, 384_000])
def test_a_rate_beyond_what_the_bridge_takes_is_refused(tmp_path: Path, rate: int) -> None:
    soundfile.write(tmp_path / "a.wav", noise(100), rate)
    with pytest.raises(SoundFileError, match=f"has {rate} frames per second, outside 8000..192000. Convert it"):
        FileInput(tmp_path / "a.wav", "fast")


def test_a_file_that_is_not_there_or_a_folder_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "absent.wav", tmp_path):
        with pytest.raises(SoundFileError, match=r"cannot be read: .*Name a sound file that is there"):
            FileInput(path, "fast")


def test_at_live_pace_a_block_comes_when_it_would_have_been_played(tmp_path: Path) -> None:
    """Host time counts from the first read; waiting never goes past the time that was given."""
    soundfile.write(tmp_path / "a.wav", noise(1000), 1000 * 48)
    clock = FakeClock(100.0)
    with FileInput(tmp_path / "a.wav", "live", block=480, now=clock, sleep=clock.advance) as file:
        assert file.read(0) is None
        assert clock() == 100.0
        assert file.read(0.004) is None
        assert clock() == pytest.approx(100.004)
        first = file.read(1.0)
        assert clock() == pytest.approx(100.010)
        assert isinstance(first, SoundHeard)
        assert (first.frame, first.at) == (0, 100.0)
        clock.advance(5.0)
        behind = [file.read(0), file.read(0)]
        assert [block.at for block in behind if isinstance(block, SoundHeard)] == pytest.approx([100.01, 100.02])
        assert file.read(0) == SoundEnded(at=100.0 + 1000 / 48_000)


def test_a_file_that_began_before_it_was_opened_is_joined_where_it_plays_now(tmp_path: Path) -> None:
    """As a device that is opened late: the frames that are over are not heard, and the numbers count them."""
    samples = noise(48_000, 1)
    soundfile.write(tmp_path / "a.wav", samples, 48_000, subtype="FLOAT")
    clock = FakeClock(100.5)
    with FileInput(tmp_path / "a.wav", "live", begin_at=100.0, now=clock, sleep=clock.advance) as file:
        first = file.read(1.0)
        assert isinstance(first, SoundHeard)
        assert (first.frame, first.at) == (24_000, 100.5)
        assert np.array_equal(first.samples, samples[24_000:24_256])
    clock.advance(60.0)
    with FileInput(tmp_path / "a.wav", "live", begin_at=100.0, now=clock, sleep=clock.advance) as file:
        assert file.read(1.0) == SoundEnded(at=101.0)


def test_a_block_of_no_frames_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="block"):
        FileInput(tmp_path / "a.wav", "fast", block=0)
