"""WAV files with cue points that other programs read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

from bridge.errors import TakeError
from bridge.review import wav_cues
from bridge.review.kept import kept_sound, sound_between
from bridge.review.read import read_take
from bridge.review.wav_cues import cue_chunks, write_wavs
from tests.review.sample import ferry_night, write_take
from tests.review.sound import RATE, ferry_night_with_sound

CUES = [(71.0, "kettle on ☕ 灯台"), (31.4, "gravel path"), (100.25, "<b>" + "horns " * 2000)]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return ferry_night_with_sound(tmp_path / "night")


def read_cues(path: Path) -> list[tuple[int, str]]:
    """Frames and labels, as wavinfo reads them."""
    cues = WavInfoReader(str(path), info_encoding="utf-8").cues
    assert cues is not None
    return [(cue.sample_offset, cues.label_and_note(cue.name)[0]) for cue in cues.cues]


def test_wavinfo_reads_every_cue_and_label(folder: Path):
    (path,) = write_wavs(kept_sound(read_take(folder)), CUES, folder)
    assert read_cues(path) == [(round(seconds * RATE), label) for seconds, label in sorted(CUES)]


def test_the_sound_is_whole_and_its_time_is_the_takes(folder: Path):
    kept = kept_sound(read_take(folder))
    (path,) = write_wavs(kept, CUES, folder)
    sound, rate = soundfile.read(path, dtype="float32")
    wanted, _ = sound_between(kept, 0.0, 120.0)
    assert (rate, sound.shape) == (RATE, (120 * RATE, 2))
    assert np.abs(sound - wanted).max() < 1e-6


def test_a_long_take_is_cut_into_parts_that_follow_each_other(folder: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(wav_cues, "PART_S", 50.0)
    done: list[float] = []
    paths = write_wavs(kept_sound(read_take(folder)), CUES, folder, done.append)
    assert [(path.name, soundfile.info(path).frames) for path in paths] == [
        ("sound-1.wav", 50 * RATE),
        ("sound-2.wav", 50 * RATE),
        ("sound-3.wav", 20 * RATE),
    ]
    assert read_cues(paths[1]) == [(21 * RATE, "kettle on ☕ 灯台")]
    assert done[-1] == pytest.approx(1.0)
    assert not list(folder.glob(".*.half"))


def test_no_sound_is_told(tmp_path: Path):
    kept = kept_sound(read_take(write_take(tmp_path / "night", ferry_night())))
    with pytest.raises(TakeError, match=r"no sound of this take was kept, .* says sound = false under \[take\]"):
        write_wavs(kept, [], tmp_path)


def test_a_folder_that_takes_no_file_is_told(folder: Path):
    with pytest.raises(TakeError, match=r"sound-1\.wav: cannot be written"):
        write_wavs(kept_sound(read_take(folder)), [], folder / "absent")


def test_without_cues_there_is_no_chunk():
    assert cue_chunks([]) == b""


def test_chunks_are_even_and_told_right():
    """Source: CHECK_VALUES 5: 4-byte count, 24 bytes a point; labels are padded to even lengths."""
    chunks = cue_chunks([(7, "odd"), (9, "even!")])
    assert chunks[:12] == b"cue " + (4 + 2 * 24).to_bytes(4, "little") + (2).to_bytes(4, "little")
    assert len(chunks) % 2 == 0
    assert chunks[12:36] == b"".join(
        part if isinstance(part, bytes) else part.to_bytes(4, "little") for part in (1, 7, b"data", 0, 0, 7)
    )
