"""How well a net reads a corpus."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from bridge.weights import FOLDER, NET
from tests.follow.sounds import RATE, drums
from tests.training.reading import read


@pytest.fixture(scope="module")
def net() -> dict[str, np.ndarray]:
    with np.load(FOLDER / NET) as file:
        return {name: file[name].astype(np.float32) for name in file.files}


def corpus(folder: Path, beats_per_s: float, late: float = 0.0) -> Path:
    """Write 30 s of a shipped loop at 120 bpm, and beats at so many a second, each so many of them late."""
    soundfile.write(folder / "loop.flac", drums("gravel-path", 120.0, 30.0), RATE)
    np.savetxt(folder / "loop.beats.txt", (np.arange(int(30 * beats_per_s)) + late) / beats_per_s)
    return folder


def test_right_beats_are_read_far_better_than_by_chance(net, tmp_path):
    place, tempo, octave = read(net, corpus(tmp_path, 2.0), "loop")
    assert place < 1.5
    assert tempo < 0.5
    assert octave > 0.95


def test_beats_at_half_the_tempo_are_the_wrong_octave(net, tmp_path):
    _, tempo, octave = read(net, corpus(tmp_path, 1.0), "loop")
    assert tempo > 2.8
    assert octave < 0.05


def test_beats_half_a_beat_late_are_read_worse_than_by_chance(net, tmp_path):
    assert read(net, corpus(tmp_path, 2.0, late=0.5), "loop")[0] > 3.2
