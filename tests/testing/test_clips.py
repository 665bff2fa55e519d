"""The shipped loops: whole, in time, and found wherever the bridge is installed."""

from __future__ import annotations

import aubio
import numpy as np
import pytest
import soundfile

from bridge.errors import SoundFileError
from bridge.testing import clips
from bridge.testing.clips import CLIP_BEATS, clips_folder, drum_loop

LOOPS = ["gravel-path", "winch-room"]


@pytest.mark.parametrize("clip", LOOPS)
def test_the_sample_count_of_a_shipped_loop_says_120_bpm(clip):
    """352800 frames at 44100 Hz hold 16 beats of 120.00 bpm. Source: CHECK_VALUES 7.3, counted in the origin files."""
    info = soundfile.info(clips_folder() / f"{clip}.flac")
    assert (info.frames, info.samplerate, info.channels) == (352_800, 44_100, 1)
    assert CLIP_BEATS * 60.0 * info.samplerate / info.frames == pytest.approx(120.0)


@pytest.mark.parametrize("clip", LOOPS)
def test_another_ear_hears_that_tempo_too(clip):
    """aubio's tempo hears 119.95 and 120.02 in the origin files (CHECK_VALUES 7.3): so do these."""
    sound, rate = soundfile.read(clips_folder() / f"{clip}.flac", dtype="float32")
    sound = np.tile(sound, 3)
    ear = aubio.tempo("default", 1024, 512, rate)
    beats = [ear.get_last_s() for i in range(0, len(sound) - 512, 512) if ear(sound[i : i + 512])[0]]
    assert np.median(60.0 / np.diff(beats)) == pytest.approx(120.0, rel=0.005)


@pytest.mark.parametrize("clip", LOOPS)
def test_each_loop_says_where_it_is_from(clip):
    licence = (clips_folder() / "LICENCE.md").read_text(encoding="utf-8")
    assert f"`{clip}.flac`" in licence
    assert "CC0 1.0" in licence


def test_a_loop_becomes_a_tape_of_the_tempo_asked_for():
    """A slower tape is longer and lower: the frames stay, their rate falls by 84/120 (law of CHECK_VALUES 1.3)."""
    tape = drum_loop("gravel-path", name="gravel path", tempo=84.0)
    assert tape.tempo == pytest.approx(84.0)
    assert tape.rate == pytest.approx(44_100 * 84 / 120)
    assert tape.length_s == pytest.approx(16 * 60 / 84)


def test_the_clips_are_found_inside_an_installed_package_first(tmp_path, monkeypatch):
    """A wheel carries them as bridge/clips, a checkout as recordings/clips beside bridge/."""
    monkeypatch.setattr(clips, "__file__", str(tmp_path / "bridge" / "testing" / "clips.py"))
    with pytest.raises(SoundFileError, match="Install the bridge again"):
        clips_folder()
    beside = tmp_path / "recordings" / "clips"
    beside.mkdir(parents=True)
    assert clips_folder() == beside
    inside = tmp_path / "bridge" / "clips"
    inside.mkdir(parents=True)
    assert clips_folder() == inside


def test_an_absent_clip_is_refused_with_its_path():
    with pytest.raises(SoundFileError, match="tide-table"):
        drum_loop("tide-table", name="tide table", tempo=84.0)
