"""A cut is measured: its beats lie where its text says, its ends make no click, and what cannot be cut is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from bridge.errors import TakeError
from bridge.events import BeatPlaced, Fact, FollowerChanged
from bridge.review.cut import EARLY_S, Wish, make_cut, smooth_beats, write_cut
from bridge.testing.tape import Move, Recording, TapeMachine
from tests.review.sample import BEGAN
from tests.review.sound_take import take_with_sound

RATE = 16_000
TEMPO = 84.0
LENGTH_S = 60.0


def clicking() -> Recording:
    """A bar of clicks over a quiet hum; clicks can be found to a fraction of a ms."""
    period = round(RATE * 60 / TEMPO)
    at = np.arange(4 * period)
    sound = 0.02 * np.sin(2 * np.pi * 110 * at / RATE)
    tick = np.sin(2 * np.pi * 1500 * np.arange(200) / RATE) * np.exp(-np.arange(200) / 40)
    for beat in range(4):
        sound[beat * period + 20 : beat * period + 220] += (0.8 if beat == 0 else 0.5) * tick
    return Recording(name="gravel path", sound=sound, rate=RATE, beats_s=(np.arange(4) * period + 20) / RATE)


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two decks; north plays clicks that drift by 4 % and wow, its follower is off by up to 5 ms at each beat."""
    rng = np.random.default_rng(4)
    machine = TapeMachine(rate=RATE)
    speed = machine.speed(LENGTH_S, (Move(time_s=0.0, speed=1.0),), rng, ((0.0, -0.02), (60.0, 0.02)))
    played = machine.play(clicking(), speed)
    heard = played.beats_s()[4:]
    facts: list[Fact] = [
        FollowerChanged(at=BEGAN + 1.0, deck="north", was="idle", now="following"),
        *(
            BeatPlaced(
                at=BEGAN + at + rng.uniform(-0.005, 0.005),
                deck="north",
                index=n,
                tempo=float(played.tempo_at(at)),
                confidence=0.9,
                known=BEGAN + at + 0.5,
            )
            for n, at in enumerate(heard)
        ),
    ]
    sound = np.stack([played.sound, rng.normal(0, 0.001, len(played.sound))], axis=1)
    marks = [(20.0, "kettle on ☕"), (40.0, "the ferry answers"), (55.0, "the ferry leaves")]
    return take_with_sound(tmp_path_factory.mktemp("cut") / "ferry-night", sound, RATE, marks, facts)


def clicks_s(sound: NDArray[np.float64], rate: int, beats: int) -> NDArray[np.float64]:
    """Return where each beat's click rises, in seconds: measured in the sound, without knowing the journal."""
    loud = np.abs(sound[:, 0])
    step = len(loud) / beats
    found = []
    for beat in range(beats):
        low = max(0, int((beat - 0.3) * step))
        part = loud[low : int((beat + 0.7) * step)]
        found.append((low + int(np.argmax(part > 0.3 * part.max()))) / rate)
    return np.array(found)


@pytest.mark.parametrize(
    ("wish", "tempo"),
    [
        (Wish(mark="kettle", bars=4, steady=True), None),
        (Wish(mark="kettle", bars=2, tempo=84.0), 84.0),
        (Wish(mark="2", bars=4, tempo=60.0, speed="half"), 120.0),
        (Wish(mark="0:20", bars=4, tempo=150.0, speed="double"), 75.0),
    ],
)
def test_the_beats_of_a_steady_cut_are_as_even_as_its_text_says(take: Path, wish: Wish, tempo: float | None) -> None:
    """Within 6 ms at each beat: the wow of the tape (0.5 ms) and what the follower was off by, smoothed, are left."""
    path, cut = write_cut(take, wish)
    sound, rate = soundfile.read(path, always_2d=True)
    assert sound.shape[1] == 1
    if tempo is not None:
        assert cut.tempo == pytest.approx(tempo, rel=1e-4)
    assert len(sound) / rate == pytest.approx(60 * wish.beats / cut.tempo, abs=1e-4)
    even = EARLY_S + np.arange(wish.beats) * 60.0 / cut.tempo
    off = clicks_s(sound, rate, wish.beats) - even
    assert np.abs(off).max() < 0.006
    measured = 60.0 / np.polyfit(np.arange(wish.beats), off + even, 1)[0]
    assert measured == pytest.approx(cut.tempo, rel=0.001)


def test_a_plain_cut_is_the_sound_of_the_night_to_the_sample_between_its_fades(take: Path) -> None:
    path, cut = write_cut(take, Wish(mark="ferry answers", bars=4))
    sound, rate = soundfile.read(path, always_2d=True)
    whole, _ = soundfile.read(take / "sound-001-000000000000.flac", always_2d=True)
    body = sound[100:-100, 0]
    lags = signal.correlate(whole[38 * rate : 54 * rate, 0], body[: 2 * rate], mode="valid", method="fft")
    first = 38 * rate + int(np.argmax(lags))
    np.testing.assert_allclose(body, whole[first : first + len(body), 0], atol=2**-22)
    assert len(sound) / rate == pytest.approx(16 * 60 / cut.tempo, abs=1e-3)
    off = clicks_s(sound, rate, 16)
    assert off[0] == pytest.approx(EARLY_S, abs=0.006)


def test_both_ends_are_silent_and_steps_in_the_loop_are_no_larger_than_in_the_sound(take: Path) -> None:
    path, _ = write_cut(take, Wish(mark="kettle", bars=2, steady=True))
    sound, _ = soundfile.read(path)
    assert np.abs(sound[[0, -1]]).max() < 1e-4
    looped = np.concatenate([sound[-50:], sound[:50]])
    assert np.abs(np.diff(looped)).max() <= np.abs(np.diff(sound)).max()


def test_the_text_says_tempo_length_and_what_each_speed_does(take: Path) -> None:
    path, cut = write_cut(take, Wish(mark="2", bars=4, tempo=60.0, speed="half"))
    text = path.with_suffix(".txt").read_text()
    assert "4 bars, 16 beats, 8.000 s, 120.00 bpm" in text
    assert "half speed:   60.00 bpm,  16.000 s" in text
    assert "double speed:  240.00 bpm,   4.000 s" in text
    assert f"{cut.pitch_cents:.0f} cents higher" in text
    assert text.count("<- made for this") == 1


def test_one_bar_is_told_as_one(take: Path) -> None:
    path, _ = write_cut(take, Wish(mark="2", bars=1))
    assert "\n1 bar, 4 beats, " in path.with_suffix(".txt").read_text()


def test_plain_speed_moves_pitch_and_tempo_together(take: Path) -> None:
    cut = make_cut(take, Wish(mark="kettle", bars=4, tempo=168.0))
    spectrum = np.abs(np.fft.rfft(cut.sound[:, 0] * np.hanning(len(cut.sound))))
    hertz = np.fft.rfftfreq(len(cut.sound), 1 / cut.rate)
    low = (hertz > 80) & (hertz < 320)
    assert hertz[low][np.argmax(spectrum[low])] == pytest.approx(220, rel=0.02)  # 110 Hz at 84 bpm


def test_a_second_cut_of_the_same_wish_replaces_the_first_but_not_a_text_changed_by_hand(take: Path) -> None:
    path, _ = write_cut(take, Wish(mark="kettle", bars=1))
    path.with_suffix(".txt").write_text("my own notes")
    again, _ = write_cut(take, Wish(mark="kettle", bars=1))
    assert again == path
    assert path.with_suffix(".txt").read_text() == "my own notes"


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        (Wish(mark="ferry", bars=1), "is part of several marks. .* 2 at 0:40: 'the ferry answers'"),
        (Wish(mark="fog", bars=1), "names no mark"),
        (Wish(mark="", bars=1), "names no mark"),
        (Wish(mark="9:59", bars=1), "after the end of the take"),
        (Wish(mark="kettle", bars=1, deck="east"), "no deck is called 'east'. .*north, south"),
        (Wish(mark="kettle", bars=1, deck="south"), "no beat was heard at 0:20"),
        (Wish(mark="kettle", bars=40), "Ask for fewer bars: --bars 1[0-9]"),
        (Wish(mark="kettle", bars=1, tempo=399.0), "too far from"),
    ],
)
def test_what_cannot_be_cut_is_refused_with_what_to_do(take: Path, wish: Wish, said: str) -> None:
    with pytest.raises(TakeError, match=said):
        make_cut(take, wish)


def test_sound_that_is_missing_there_is_said(take: Path, tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    (gone / "journal.jsonl").write_bytes((take / "journal.jsonl").read_bytes())
    with pytest.raises(TakeError, match=r"no sound of this take was kept, .* says sound = false under \[take\]"):
        make_cut(gone, Wish(mark="kettle", bars=1))
    whole, rate = soundfile.read(take / "sound-001-000000000000.flac")
    soundfile.write(gone / "sound-001-000000000000.flac", whole[: 21 * rate], rate, subtype="PCM_24")
    with pytest.raises(TakeError, match=r"not all of it: it is missing from 0:21 on"):
        make_cut(gone, Wish(mark="kettle", bars=2))


def test_beats_off_by_chance_are_smoothed_and_a_straight_line_stays_one() -> None:
    rng = np.random.default_rng(1)
    even = np.arange(40) * 0.7
    place = smooth_beats(list(even + rng.uniform(-0.01, 0.01, 40)), 10, 16)
    np.testing.assert_allclose(place(np.arange(17.0)), even[10:27], atol=0.008)
