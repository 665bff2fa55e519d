"""Chapters land on the stream's own recording: by its sound, a mark or an offset; what does not fit is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from numpy.typing import NDArray
from scipy import signal

from bridge.cli import main
from bridge.errors import TakeError
from bridge.review.aligned import align_take
from tests.review.sample import ferry_night, write_take
from tests.review.sound_take import take_with_sound

RATE = 11_025


def sound(seed: int, seconds: float = 240.0) -> NDArray[np.float64]:
    """Two decks of noise whose parts rise and fall by chance, a few times a second."""
    rng = np.random.default_rng(seed)
    decks = []
    for _ in range(2):
        frames = round(seconds * RATE)
        whole = np.zeros(frames)
        for low, high in ((150, 400), (500, 1200), (1500, 4000)):
            band = signal.sosfilt(
                signal.butter(2, (low, high), "band", fs=RATE, output="sos"), rng.normal(0, 1, frames)
            )
            knots = np.arange(0, frames + RATE, RATE // 5)
            whole += band * np.interp(np.arange(frames), knots, rng.uniform(0.0, 1.0, len(knots)) ** 3)
        decks.append(0.1 * whole)
    return np.stack(decks, axis=1)


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    marks = [(100.0, "the ferry answers"), (180.0, "kettle on ☕ <b>")]
    return take_with_sound(tmp_path_factory.mktemp("aligned") / "ferry-night", sound(1), RATE, marks, begin_s=2.0)


@pytest.fixture(scope="module")
def stream(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """From 0:42 of the take on, 10 s lost at 1:30, at another rate and level, encoded."""
    mix = sound(1) @ np.array([0.9, 0.5])
    kept = np.concatenate([mix[40 * RATE : 130 * RATE], mix[140 * RATE :]])
    resampled = signal.resample_poly(kept, 2, 1) * np.interp(np.arange(2 * len(kept)), [0, 2 * len(kept)], [0.3, 1.0])
    path = tmp_path_factory.mktemp("stream") / "the stream.ogg"
    with soundfile.SoundFile(path, "w", 2 * RATE, 1, "VORBIS", format="OGG") as file:
        for begin in range(0, len(resampled), RATE):
            file.write(resampled[begin : begin + RATE])
    return path


def test_chapters_are_shifted_over_the_drop_out(take: Path, stream: Path) -> None:
    done = CliRunner().invoke(main, ["review", str(take), "--align", str(stream), "--json"])
    assert done.exit_code == 0, done.output
    found = json.loads(done.output)
    assert found["how"] == "by sound"
    assert found["sure"] >= 0.9
    offsets = [stretch["offset_s"] for stretch in found["stretches"]]
    assert offsets == pytest.approx([42.0, 52.0], abs=0.02)
    assert found["stretches"][1]["begin_s"] == pytest.approx(90.0, abs=0.3)
    begins = {chapter["title"]: chapter["begin_s"] for chapter in found["chapters"]}
    assert begins["the ferry answers"] == pytest.approx(58.0, abs=1.0)
    assert begins["kettle on ☕ <b>"] == pytest.approx(128.0, abs=1.0)
    assert found["chapters"][0]["begin_s"] == 0.0
    assert [Path(name).name for name in found["files"]] == [
        f"chapters-the-stream.{ending}" for ending in ("vtt", "txt", "ffmetadata")
    ]
    assert (take / "chapters-the-stream.txt").read_text().splitlines()[0].startswith("0:00 ")


def test_another_evening_is_refused_with_what_to_do(take: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.flac"
    soundfile.write(other, sound(2, 120.0)[:, 0], RATE)
    done = CliRunner().invoke(main, ["review", str(take), "--align", str(other)])
    assert done.exit_code == 1
    assert "does not sound like this take" in done.output
    assert "--offset" in done.output
    assert not list(take.glob("chapters-other*"))


def test_without_kept_sound_a_mark_or_an_offset_places_it(stream: Path, tmp_path: Path) -> None:
    folder = write_take(tmp_path / "night", ferry_night())
    with pytest.raises(TakeError, match=r"no sound of this take was kept to compare. .*--mark MARK --at TIME"):
        align_take(folder, stream)
    by_offset = align_take(folder, stream, offset_s=-20.0)
    assert by_offset.found.in_recording(31.4) == pytest.approx(51.4)
    done = CliRunner().invoke(
        main, ["review", str(folder), "--align", str(stream), "--mark", "kettle", "--at", "1:31.0", "--json"]
    )
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["stretches"][0]["offset_s"] == pytest.approx(-20.0)


@pytest.mark.parametrize(("data", "said"), [(None, "no such file"), (b"\0\0\0\x20ftypisom", "cannot be read as sound")])
def test_what_is_no_sound_is_refused(take: Path, tmp_path: Path, data: bytes | None, said: str) -> None:
    path = tmp_path / "stream.mp4"
    if data is not None:
        path.write_bytes(data)
    with pytest.raises(TakeError, match=f"{said}.*save its sound"):
        align_take(take, path)


@pytest.mark.parametrize(
    "words",
    [
        ["--offset", "3"],
        ["--align", "x", "--cut", "1"],
        ["--align", "x", "--mark", "1"],
        ["--align", "x", "--mark", "1", "--at", "3", "--offset", "2"],
        ["--align", "x", "--offset", "noon"],
        ["--steady"],
        ["--near", "80"],
        ["another"],
    ],
)
def test_options_that_do_not_go_together_are_wrong_use(take: Path, words: list[str]) -> None:
    assert CliRunner().invoke(main, ["review", str(take), *words]).exit_code == 2
