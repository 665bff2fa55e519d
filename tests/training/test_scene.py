"""Promises of the training scenes: seeded, true to the tape, and blind to the drummers kept apart."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from tests.training.hits import drawn_style
from tests.training.material import CLASSES, DRUMMERS_APART, RATE, Material
from tests.training.performances import slow_offset
from tests.training.plan import one_tape, random_scene, tape_speed, write_truth
from tests.training.scene import CLOCK, FRAMES, stacked


@pytest.fixture
def material(tmp_path: Path) -> Material:
    """Two kits of clicks, and two drummers who play four bars, one of them kept apart."""
    kinds = np.tile(np.arange(len(CLASSES)), 2)
    length = np.full(len(kinds), 2000)
    np.savez(
        tmp_path / "bank.npz",
        start=np.cumsum(length) - length,
        length=length,
        kind=kinds,
        kit=np.repeat([0, 1], len(CLASSES)),
        loud=np.ones(len(kinds)),
    )
    bar = np.array([[0, 0, 0.9], [0.5, 3, 0.5], [1, 1, 0.8], [2, 0, 0.9], [3, 1, 0.8]], np.float32)
    notes = np.concatenate([bar + np.array([4 * i, 0, 0], np.float32) for i in range(4)])
    np.savez(
        tmp_path / "performances.npz",
        notes=np.concatenate([notes, notes]),
        offsets=np.zeros(32, np.float32),
        drummer=np.array(["drummer5", DRUMMERS_APART[0]]),
        bpm=np.array([90.0, 140.0]),
        beats=np.array([16, 16]),
        count=np.array([len(notes), len(notes)]),
    )
    return Material.load(tmp_path / "bank.npz", tmp_path / "performances.npz")


def test_a_drummer_kept_apart_never_trains(material: Material) -> None:
    assert list(material.bpm) == [90.0]
    assert len(material.notes) == 1


def test_the_same_seed_gives_the_same_scenes(material: Material) -> None:
    first, second = (stacked([random_scene(np.random.default_rng(3), material)]) for _ in range(2))
    for name, value in first.items():
        np.testing.assert_array_equal(value, second[name])


def test_hits_lie_inside_the_scene_and_beats_inside_their_tape(material: Material) -> None:
    for seed in range(30):
        scene = random_scene(np.random.default_rng(seed), material)
        for events in (scene.events, scene.dry_events):
            assert (events[:, 0] >= 0).all()
            assert (events[:, 0] < FRAMES / 100 * RATE).all()
        assert (scene.present[scene.beat > 0] == 1).all()
        assert (scene.tempo[scene.present > 0] > 0).all()


def test_some_scenes_have_no_beat_at_all(material: Material) -> None:
    scenes = [random_scene(np.random.default_rng(seed), material) for seed in range(60)]
    without = sum(not scene.present.any() for scene in scenes)
    assert 5 <= without <= 30


def test_the_truth_counts_a_beat_where_its_phase_begins_anew() -> None:
    """At 120 bpm a beat falls each half second, and the phase is near 0 or 1 there."""
    truth = {name: np.zeros(FRAMES, np.float32) for name in ("beat", "phase", "tempo", "present")}
    write_truth(np.arange(140.0), CLOCK * 2.0, (-1.0, 65.0), truth, np.ones(FRAMES, np.float32))
    at = np.flatnonzero(truth["beat"])
    np.testing.assert_array_equal(np.diff(at), 50)
    assert np.minimum(truth["phase"][at], 1 - truth["phase"][at]).max() < 0.021
    np.testing.assert_allclose(truth["tempo"], 120.0, rtol=1e-3)


def test_a_player_who_sits_late_is_labelled_late() -> None:
    """Every note 20 ms after the click at 120 bpm is 0.04 beats late."""
    beats = np.arange(32) + 0.04
    np.testing.assert_allclose(slow_offset(beats, 32, 120.0), 0.04)


def test_a_note_far_from_the_beat_does_not_move_the_label() -> None:
    beats = np.sort(np.concatenate([np.arange(32.0), np.arange(32) + 0.5]))
    np.testing.assert_allclose(slow_offset(beats, 32, 120.0), 0.0)


def test_a_tape_never_runs_backwards() -> None:
    for seed in range(100):
        speed, _ = tape_speed(np.random.default_rng(seed))
        assert (speed > 0.05).all()


def test_drawn_patterns_have_a_bar_of_sixteenths_and_differ() -> None:
    rng = np.random.default_rng(1)
    styles = [drawn_style(rng) for _ in range(50)]
    for style in styles:
        assert {"kick", "snare"} <= set(style) <= {"kick", "snare", "off"}
        for tenths in style.values():
            assert len(tenths) == 16
            assert tenths.isdigit()
    assert len({style["kick"] for style in styles}) > 40


def test_a_beat_back_from_a_mute_is_asked_for_from_its_first_hit(material: Material) -> None:
    """A tenth of a second after the first hit the place in the beat is asked for."""
    silences = asked = 0
    for seed in range(120):
        scene = random_scene(np.random.default_rng(seed), material)
        hits = np.sort(scene.events[:, 0]) / RATE
        for before, after in pairwise(hits):
            middle, back = int(50 * (before + after)), int(100 * after) + 12
            if after - before > 4 and scene.present[middle] and scene.present[back] and not scene.weight[middle]:
                silences += 1
                asked += bool(scene.weight[back])
    assert silences > 5
    assert asked > 0.8 * silences


def test_a_mute_takes_nothing_from_what_follows_its_tape(material: Material) -> None:
    for seed in range(80):
        truth = {name: np.zeros(FRAMES, np.float32) for name in ("beat", "phase", "tempo", "present")}
        weight, drums = np.ones(FRAMES, np.float32), np.zeros((FRAMES, 2), np.float32)
        one_tape(np.random.default_rng(seed), material, (-1.0, 20.0, False), truth, weight, drums)
        assert weight[2000 + 450 :].all()  # `write_truth` leaves out 1.5 periods of 3 s at most
