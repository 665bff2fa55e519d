"""What a deck sounded like is small, the same for any block length, and found again at its time."""

from __future__ import annotations

import gzip
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from bridge.errors import TakeError
from bridge.journal import features
from bridge.journal.features import RowMaker, file_name, header, levels_db, read_features, write_features

RATE = 8000


def noise(frames: int) -> NDArray[np.float32]:
    return np.random.default_rng(3).normal(0, 0.1, frames).astype(np.float32)


def rows_of(sound: NDArray[np.float32], cuts: list[int], rate: int = RATE) -> NDArray[np.uint8]:
    maker = RowMaker(rate)
    edges = [0, *sorted(cut for cut in cuts if cut < len(sound)), len(sound)]
    return np.concatenate([maker.hear(a, sound[a:b]) for a, b in pairwise(edges)])


@given(st.lists(st.integers(0, 3 * RATE), max_size=12))
def test_any_block_lengths_give_the_same_rows(cuts: list[int]) -> None:
    sound = noise(3 * RATE)
    np.testing.assert_array_equal(rows_of(sound, cuts), rows_of(sound, []))


@pytest.mark.parametrize("rate", [8000, 11025, 44100, 48000])
def test_a_sine_stands_in_its_band_at_its_level_and_an_hour_takes_less_than_a_megabyte(rate: int) -> None:
    sound = 0.1 * np.sin(2 * np.pi * 440 * np.arange(5 * rate) / rate).astype(np.float32)
    rows = rows_of(sound, [], rate)
    assert len(rows) == pytest.approx(5 * 8, abs=1.1)
    levels = levels_db(rows)
    assert (levels[:, 1:].argmax(axis=1) == 12).all()  # two octaves above 110 Hz
    np.testing.assert_allclose(levels[:, [0, 13]], -23.0, atol=1.0)
    assert len(rows.tobytes()) * 3600 / 5 < 1e6


def test_a_gap_leaves_empty_rows_and_what_follows_stands_at_its_time() -> None:
    sound = noise(6 * RATE)
    maker = RowMaker(RATE)
    gapped = np.concatenate([maker.hear(1000, sound[: 2 * RATE]), maker.hear(1000 + 4 * RATE, sound[4 * RATE :])])
    whole = rows_of(sound, [])
    np.testing.assert_array_equal(gapped[:15], whole[:15])
    assert (gapped[15:32] == 0).all()
    np.testing.assert_array_equal(gapped[32:], whole[32:])


@pytest.mark.parametrize("jump", [-5000, 10**15])
def test_frames_that_run_backwards_or_for_ever_forwards_do_no_harm(jump: int) -> None:
    maker = RowMaker(RATE)
    rows = np.concatenate([maker.hear(0, noise(RATE)), maker.hear(RATE + jump, noise(RATE))])
    assert 14 <= len(rows) <= 16


def test_nan_is_silence_and_silence_is_zero() -> None:
    assert (rows_of(np.full(RATE, np.nan, np.float32), []) == 0).all()
    assert (levels_db(rows_of(np.zeros(RATE, np.float32), [])) == -np.inf).all()


def test_a_file_reads_back_and_a_torn_row_is_passed_over(tmp_path: Path) -> None:
    rows = rows_of(noise(4 * RATE), [])
    path = tmp_path / file_name(1, 2, "Süd / ☕")
    assert path.name == "features-001-2-s-d.bin"
    write_features(path, "Süd / ☕", 1, 5000.25, [rows[:3], rows[3:]])
    path.write_bytes(path.read_bytes()[:-7])
    (found,), faults = read_features(tmp_path)
    assert (found.deck, found.start, found.at, faults) == ("Süd / ☕", 1, 5000.25, [])
    np.testing.assert_array_equal(found.rows, rows[:-1])
    with pytest.raises(TakeError, match="cannot be written: File exists"):
        write_features(path, "north", 1, 0.0, [rows])


def test_what_is_no_file_of_features_is_named(tmp_path: Path) -> None:
    (tmp_path / "features-001-1-a.bin").write_bytes(b"\xff\xff garbage")
    (tmp_path / "features-001-2-b.bin").write_bytes(header("b", 1, 0.0).replace(b'"schema": 1', b'"schema": 9'))
    (tmp_path / "features-001-3-c.bin").write_bytes(b"[]\n")
    found, faults = read_features(tmp_path)
    assert (found, len(faults)) == ([], 3)
    assert "form 9 is not read by this bridge (1)" in faults[1]


def test_a_file_of_todays_form_is_read_for_ever(tmp_path: Path) -> None:
    """Never change this fixture: half a second of a sine at 440 Hz, as form 1 had it."""
    data = gzip.decompress(Path(__file__).with_name("features_1.bin.gz").read_bytes())
    (tmp_path / "features-001-1-north.bin").write_bytes(data)
    (found,), faults = read_features(tmp_path)
    assert (found.deck, found.at, found.rows.shape, faults) == ("north", 5000.0, (4, 32), [])
    assert (levels_db(found.rows)[:, 1:].argmax(axis=1) == 12).all()
    assert features.SCHEMA == 1
