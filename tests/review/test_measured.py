"""A take's sound in numbers: each deck by itself, in its place in time, the same however the work is shared out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bridge.review import measured
from bridge.review.kept import kept_sound
from bridge.review.loudness import HOP_S
from bridge.review.measured import Measured, measure
from bridge.review.read import read_take
from tests.review.sample import ferry_night, write_take
from tests.review.sound import ferry_night_with_sound


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return ferry_night_with_sound(tmp_path_factory.mktemp("takes") / "night")


@pytest.fixture(scope="module")
def night(folder: Path) -> Measured:
    found = measure(kept_sound(read_take(folder)))
    assert found is not None
    return found


def test_each_deck_has_a_loudness_of_its_own(night: Measured):
    """A tone of 1 kHz at peak -26.02 dBFS in one channel: -26.02 - 3.01 (BS.1770-4); silent parts are gated away."""
    south = night.loudness("south")
    assert south.integrated == pytest.approx(-29.03, abs=0.15)
    assert south.true_peak_db == pytest.approx(-26.02, abs=0.2)
    assert night.loudness("north").true_peak_db == pytest.approx(-20.0, abs=0.2)
    assert night.names() == ("north", "south")


def test_steps_lie_where_the_sound_lies_in_the_take(night: Measured):
    """Sound from 0.5 to 91.5 s and from 94 to 120 s."""
    there = np.flatnonzero(np.isfinite(night.steps("north"))) * HOP_S
    assert there[0] == pytest.approx(0.5)
    gap = there[np.flatnonzero(np.diff(there) > 0.15)]
    assert gap == pytest.approx([91.4], abs=0.11)
    assert there[-1] == pytest.approx(119.9, abs=0.11)


def test_silences_are_those_of_the_deck_and_no_gaps(night: Measured):
    """South is silent in every second ten seconds."""
    assert night.silences("south") == tuple(
        (pytest.approx(b, abs=0.11), pytest.approx(e, abs=0.11))
        for b, e in ((10, 20), (30, 40), (50, 60), (70, 80), (94, 100), (110, 120))
    )
    assert night.silences("north") == ()


def test_more_processes_find_the_same(folder: Path, night: Measured, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(measured, "ALONE_S", 1.0)
    monkeypatch.setattr(measured, "JOB_SEGMENTS", 1)
    done: list[float] = []
    shared = measure(kept_sound(read_take(folder)), done.append)
    assert shared is not None
    assert done == pytest.approx([0.2, 0.4, 0.6, 0.8, 1.0])
    assert np.allclose(shared.powers, night.powers, rtol=1e-3, equal_nan=True)
    assert shared.true_peaks == pytest.approx(night.true_peaks, rel=1e-3)


def test_where_no_process_can_be_started_this_one_does_it(folder: Path, night: Measured, monkeypatch):
    def refused(*_, **__):
        raise OSError("no memory")

    monkeypatch.setattr(measured, "ALONE_S", 1.0)
    monkeypatch.setattr(measured, "ProcessPoolExecutor", refused)
    alone = measure(kept_sound(read_take(folder)))
    assert alone is not None
    assert np.array_equal(alone.powers, night.powers, equal_nan=True)


def test_without_sound_there_is_nothing_to_measure(tmp_path: Path):
    assert measure(kept_sound(read_take(write_take(tmp_path, ferry_night())))) is None


def test_channels_without_names_are_one(night: Measured):
    nameless = Measured(powers=night.powers, true_peaks=night.true_peaks, decks=())
    assert nameless.names() == ("all channels",)
    assert nameless.loudness("all channels").integrated > night.loudness("north").integrated
