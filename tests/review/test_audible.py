"""Which decks could be heard, second by second, without a gap and without flicker."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.review.audible import audible
from bridge.review.story import DeckStory


def deck(name: str, levels) -> DeckStory:
    pairs = tuple((at + 0.5, level) for at, level in enumerate(levels) if level is not None)
    return DeckStory(name=name, stretches=(), beats=(), runs=(), pieces=(), levels=pairs, share_following=0.0)


def parts(*decks: DeckStory, length_s: float = 60.0) -> list[tuple[float, float, str]]:
    return [(part.begin_s, part.end_s, " ".join(part.decks)) for part in audible(decks, length_s)]


def test_decks_come_and_go():
    north = deck("north", [-20] * 40 + [-90] * 20)
    south = deck("south", [-90] * 20 + [-30] * 20 + [-90] * 20)
    assert parts(north, south) == [(0, 20, "north"), (20, 40, "north south"), (40, 60, "")]


def test_a_deck_far_below_the_other_is_covered():
    assert parts(deck("north", [-10] * 60), deck("south", [-45] * 60)) == [(0, 60, "north")]
    assert parts(deck("north", [-90] * 60), deck("south", [-45] * 60)) == [(0, 60, "south")]


def test_a_breath_of_two_seconds_is_no_change():
    assert parts(deck("north", [-20] * 30 + [-90] * 2 + [-20] * 28)) == [(0, 60, "north")]


def test_where_no_level_was_written_a_deck_was_not_heard():
    assert parts(deck("north", [-20] * 30 + [None] * 30)) == [(0, 30, "north"), (30, 60, "")]


@given(st.lists(st.lists(st.none() | st.floats(-120, 40), max_size=80), min_size=1, max_size=4), st.floats(0.01, 90.0))
def test_any_levels_at_all_cover_the_take(levels, length_s):
    found = audible([deck(str(n), line) for n, line in enumerate(levels)], length_s)
    assert found[0].begin_s == 0.0
    assert found[-1].end_s == pytest.approx(length_s)
    assert all(a.end_s == b.begin_s and a.decks != b.decks for a, b in pairwise(found))


def test_nothing_is_audible_in_nothing():
    assert audible([], 60.0) == ()
    assert audible([deck("north", [])], 0.0) == ()
