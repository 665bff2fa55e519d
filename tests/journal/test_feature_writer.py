"""Features land on disk beside the sound, and end without troubling anybody."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bridge.journal import feature_writer
from bridge.journal.feature_writer import FeatureWriter
from bridge.journal.features import RowMaker, read_features

RATE = 8000


def test_every_deck_gets_its_file_from_the_mean_of_its_channels(tmp_path: Path) -> None:
    sound = np.random.default_rng(1).normal(0, 0.1, (3 * RATE, 3)).astype(np.float32)
    with FeatureWriter(tmp_path, RATE, [("north", [0, 2]), ("south", [1])], start=2) as writer:
        for begin in range(0, len(sound), 500):
            writer.write(begin, 7.0 + begin / RATE, sound[begin : begin + 500])
    found, faults = read_features(tmp_path)
    assert [path.name for path in sorted(tmp_path.iterdir())] == [
        "features-002-1-north.bin",
        "features-002-2-south.bin",
    ]
    assert (writer.failure, faults) == (None, [])
    assert [(one.deck, one.start, one.at) for one in found] == [("north", 2, 7.0), ("south", 2, 7.0)]
    np.testing.assert_array_equal(found[0].rows, RowMaker(RATE).hear(0, sound[:, [0, 2]].mean(axis=1)))
    np.testing.assert_array_equal(found[1].rows, RowMaker(RATE).hear(0, sound[:, 1]))


def test_a_full_disk_ends_it_and_raises_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feature_writer, "KEEP_FREE_BYTES", 10**18)
    with FeatureWriter(tmp_path, RATE, [("north", [0])]) as writer:
        writer.write(0, 0.0, np.zeros((10 * RATE, 1), np.float32))
    assert "the disk is full" in str(writer.failure)


def test_a_folder_that_is_gone_ends_it_and_raises_nothing(tmp_path: Path) -> None:
    with FeatureWriter(tmp_path / "gone", RATE, [("north", [0])]) as writer:
        writer.write(0, 0.0, np.zeros((RATE, 1), np.float32))
    assert "No such file or directory" in str(writer.failure)
