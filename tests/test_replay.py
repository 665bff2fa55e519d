"""Sound files of every kind through the engine."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import soundfile

from bridge.errors import SoundFileError
from bridge.events import BeatPlaced, SoundLost
from bridge.records import from_record
from bridge.replay import follow_file
from bridge.testing.clips import drum_loop
from bridge.testing.tape import Move, TapeMachine


@pytest.fixture(scope="module")
def drums():
    """Twelve seconds of drums at 96 bpm, at 48 kHz, mono."""
    machine = TapeMachine()
    rng = np.random.default_rng(2)
    speed = machine.speed(12.0, (Move(time_s=0.2, speed=1.0),), rng)
    played = machine.play(drum_loop("gravel-path", name="gravel path", tempo=96.0), speed)
    return (played.sound + machine.hiss(speed, rng)).astype(np.float32)


def tempo_of(path, **more):
    beats = [beat.tempo for beat in follow_file(path, **more).beats()]
    return float(np.median(beats)) if beats else math.nan


@pytest.mark.parametrize(("name", "subtype"), [("d.wav", "PCM_24"), ("d.flac", "PCM_16"), ("d.wav", "FLOAT")])
def test_any_width_is_followed(tmp_path, drums, name, subtype):
    soundfile.write(tmp_path / name, drums, 48_000, subtype=subtype)
    assert tempo_of(tmp_path / name) == pytest.approx(96.0, rel=0.01)


@pytest.mark.parametrize(("rate", "step"), [(8_000, 6), (96_000, 0.5)])
def test_8_and_96_khz_are_followed(tmp_path, drums, rate, step):
    frames = np.arange(0, len(drums) - 1, step)
    sound = np.convolve(drums, np.ones(6) / 6, "same") if step > 1 else drums
    soundfile.write(tmp_path / "d.wav", np.interp(frames, np.arange(len(drums)), sound), rate)
    assert tempo_of(tmp_path / "d.wav") == pytest.approx(96.0, rel=0.01)


def test_eight_channels_are_heard_as_one(tmp_path, drums):
    sound = np.zeros((len(drums), 8), np.float32)
    sound[:, 5] = drums
    soundfile.write(tmp_path / "d.wav", sound, 48_000)
    assert tempo_of(tmp_path / "d.wav") == pytest.approx(96.0, rel=0.01)


def test_samples_that_are_no_numbers_are_heard_as_silence_and_told(tmp_path, drums):
    sound = drums.copy()
    sound[30_000:30_100] = np.nan
    sound[60_000] = np.inf
    soundfile.write(tmp_path / "d.wav", sound, 48_000, subtype="FLOAT")
    followed = follow_file(tmp_path / "d.wav")
    assert np.median([beat.tempo for beat in followed.beats()]) == pytest.approx(96.0, rel=0.01)
    [told] = [fact for fact in followed.facts if isinstance(fact, SoundLost)]
    assert told.why == "101 samples were no numbers, heard as silence"


def test_a_truncated_file_is_followed_to_where_it_is_sound_and_told(tmp_path, drums):
    soundfile.write(tmp_path / "d.wav", drums, 48_000, subtype="PCM_16")
    whole = (tmp_path / "d.wav").read_bytes()
    (tmp_path / "d.wav").write_bytes(whole[: 9 * len(whole) // 10])
    followed = follow_file(tmp_path / "d.wav")
    assert followed.length_s == pytest.approx(0.9 * len(drums) / 48_000, abs=0.01)
    assert "cut short" in followed.as_text()
    assert followed.beats()


@pytest.mark.parametrize(
    ("content", "complaint"),
    [(b"", "is empty, 0 bytes"), (b"a letter from the ferry", "is no sound file"), (None, "cannot be read")],
)
def test_what_is_no_sound_file_is_refused_with_what_to_do(tmp_path, content, complaint):
    path = tmp_path / "d.wav"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SoundFileError, match=rf"d\.wav: the file {complaint}.*\. \w+.*\."):
        follow_file(path)


@pytest.mark.parametrize(("hint", "wanted"), [(96.0, 96.0), (48.0, 48.0), (190.0, 192.0)])
def test_a_tempo_hint_says_which_octave_is_meant(tmp_path, drums, hint, wanted):
    soundfile.write(tmp_path / "d.wav", drums, 48_000)
    assert tempo_of(tmp_path / "d.wav", tempo_hint=hint) == pytest.approx(wanted, rel=0.01)


def test_beats_are_written_as_beat_time_and_time_known(tmp_path, drums):
    soundfile.write(tmp_path / "d.wav", drums, 48_000)
    followed = follow_file(tmp_path / "d.wav")
    followed.write_beats(tmp_path / "beats.tsv")
    rows = np.loadtxt(tmp_path / "beats.tsv", delimiter="\t")
    assert rows.shape == (len(followed.beats()), 2)
    assert rows[:, 0] == pytest.approx([beat.at for beat in followed.beats()], abs=1e-6)
    assert (np.diff(rows[:, 0]) > 0).all()


def test_a_file_without_a_beat_writes_no_row(tmp_path):
    soundfile.write(tmp_path / "d.wav", np.zeros(48_000), 48_000)
    followed = follow_file(tmp_path / "d.wav")
    followed.write_beats(tmp_path / "beats.tsv")
    assert (tmp_path / "beats.tsv").read_bytes() == b""
    assert "0 beats" in followed.as_text()


def test_json_holds_every_fact(tmp_path, drums):
    soundfile.write(tmp_path / "d.wav", drums, 48_000)
    followed = follow_file(tmp_path / "d.wav")
    told = json.loads(followed.as_json())
    assert [from_record(record) for record in told["facts"]] == list(followed.facts)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.85])
def test_a_file_cut_at_t_gives_exactly_the_rows_that_were_known_by_t(tmp_path, drums, share):
    soundfile.write(tmp_path / "whole.wav", drums, 48_000)
    cut = int(share * len(drums))
    soundfile.write(tmp_path / "cut.wav", drums[:cut], 48_000)
    whole = [beat for beat in follow_file(tmp_path / "whole.wav").beats() if beat.known <= cut / 48_000]
    assert follow_file(tmp_path / "cut.wav").beats() == whole
    assert all(isinstance(beat, BeatPlaced) for beat in whole)
