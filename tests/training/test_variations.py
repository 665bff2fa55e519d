"""Promises of what is played otherwise: the beat stays where it was, and nothing else does."""

from __future__ import annotations

import numpy as np
import pytest

from tests.training.material import Material, feel_of
from tests.training.variations import by_another_hand, in_bars, like, patterned, performed, with_other_hats

BEATS = 61
LATE = 0.05


def player(offset: float, *, in_three: bool) -> np.ndarray:
    """Sixteen bars of kick, snare and hats, all of it this much late; each bar's first kick tells its number."""
    off = 2 / 3 if in_three else 0.5
    rows = []
    for bar in range(16):
        rows += [(4 * bar, 0, (bar + 1) / 20), (4 * bar + 1, 1, 0.8), (4 * bar + 2, 0, 0.9), (4 * bar + 3, 1, 0.8)]
        rows += [(4 * bar + beat + place, 3, 0.5) for beat in range(4) for place in (0, off)]
    return np.array(sorted(rows)) + np.array([offset, 0, 0])


@pytest.fixture
def material() -> Material:
    none = np.zeros(0, np.int64)
    notes = [player(LATE, in_three=False), player(0.0, in_three=True), player(-LATE, in_three=False)]
    return Material(
        *(none,) * 4,
        np.zeros(0),
        notes=[rows.astype(np.float32) for rows in notes],
        offsets=[np.full(64, offset, np.float32) for offset in (LATE, 0.0, -LATE)],
        bpm=np.array([90.0, 100.0, 110.0]),
        weight=np.full(3, 1 / 3),
        feel=np.array([feel_of(rows) for rows in notes]),
        fills=[np.array([[0, 8, 0.9], [1, 7, 0.9], [2, 6, 0.9], [3, 6, 0.9]], np.float32)],
        patterns=[player(0.0, in_three=False).astype(np.float32)],
    )


def test_a_shuffle_lies_in_three_and_eighths_do_not() -> None:
    assert feel_of(player(0.0, in_three=True)) == 1.0
    assert feel_of(player(0.0, in_three=False)) == 0.0


def test_kicks_and_snares_stay_where_the_label_says(material: Material) -> None:
    """Parts of two players, one late and one early, are put together at the first one's place in the beat."""
    for seed in range(60):
        notes, offsets = performed(np.random.default_rng(seed), material, 0, BEATS)
        assert len(offsets) == BEATS
        np.testing.assert_allclose(offsets, LATE)
        snares = notes[notes[:, 1] == 1, 0]
        assert len(snares) > BEATS // 8
        off = snares - LATE - np.rint(snares - LATE)
        assert np.median(np.abs(off)) < 0.05


def test_bars_come_in_another_order_and_whole(material: Material) -> None:
    orders = set()
    for seed in range(20):
        notes, _ = in_bars(np.random.default_rng(seed), material, 0, 64)
        firsts = notes[(notes[:, 1] == 0) & (np.abs(notes[:, 0] % 4 - LATE) < 0.01), 2]
        orders.add(tuple(np.rint(firsts * 20).astype(int)))
        assert notes[:, 0].max() < 64
    assert len(orders) > 15


def test_a_second_player_is_one_of_the_same_feel(material: Material) -> None:
    rng = np.random.default_rng(1)
    chosen = [like(rng, material, 1) for _ in range(100)]
    assert chosen.count(1) > 80  # the one that lies in three, where it was among those drawn


def test_hats_are_halved_or_doubled_and_nothing_else_changes() -> None:
    notes = player(0.0, in_three=False)
    counts = set()
    for seed in range(30):
        out = with_other_hats(np.random.default_rng(seed), notes)
        np.testing.assert_array_equal(out[out[:, 1] != 3], notes[notes[:, 1] != 3])
        counts.add(int((out[:, 1] == 3).sum()))
    assert {32, 64, 128 + 127} <= counts


def test_another_hand_moves_no_hit_far() -> None:
    notes = player(0.0, in_three=False)
    for seed in range(50):
        out = by_another_hand(np.random.default_rng(seed), notes)
        snares = out[out[:, 1] == 1, 0]
        assert (np.abs(snares - np.rint(snares)) < 0.12).all()
        assert (out[:, 2] > 0).all()
        assert (out[:, 2] <= 1).all()


def test_a_pattern_lasts_as_long_as_asked(material: Material) -> None:
    for seed in range(20):
        notes, offsets = patterned(np.random.default_rng(seed), material, 150)
        assert len(offsets) == 150
        assert notes[:, 0].max() > 140
