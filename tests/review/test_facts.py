"""The story of a take is what its facts say: states without gaps, curves broken where beats are missing."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import (
    BeatPlaced,
    DeckChanged,
    Fact,
    FollowerChanged,
    ListenerLost,
    ListenerStarted,
    PedalTold,
    TakeEnded,
    TakeStarted,
)
from bridge.events_hand import BeatRecounted
from bridge.review.facts import NOT_HEARD, take_began, tell
from bridge.review.story import DeckStory, PedalStory, Story
from tests.journal.given import any_fact
from tests.review.sample import BEGAN, LENGTH_S, ferry_night


def started(at: float = 0.0) -> TakeStarted:
    return TakeStarted(at=at, wall=0.0, name="night", version="0", decks=("north",), pedals=("long echo",))


def beat(at: float, index: int, tempo: float, known: float | None = None) -> BeatPlaced:
    known = at if known is None else known
    return BeatPlaced(at=at, deck="north", index=index, tempo=tempo, confidence=1.0, known=known)


def beats(begin: float, count: int, tempo: float, first: int = 0) -> list[Fact]:
    return [beat(begin + n * 60 / tempo, first + n, tempo) for n in range(count)]


def turn(at: float, was: str, now: str) -> FollowerChanged:
    return FollowerChanged(at=at, deck="north", was=was, now=now)  # type: ignore[arg-type]


def changed(at: float, before: float | None = None, after: float | None = None, late: float = 0.0) -> DeckChanged:
    return DeckChanged(
        at=at,
        deck="north",
        change="another tape",
        tempo_before=before,
        tempo_after=after,
        level_before_db=-20,
        level_after_db=-20,
        known=at + late,
    )


def told(at: float, tempo: float, ratio: float = 1.0) -> PedalTold:
    return PedalTold(at=at, pedal="long echo", deck="north", tempo=tempo, ratio=ratio, why="drift")


def ended(at: float) -> TakeEnded:
    return TakeEnded(at=at, why="end of test")


def north(*facts: Fact) -> DeckStory:
    return tell([started(), *facts]).decks[0]


def long_echo(*facts: Fact) -> PedalStory:
    return tell([started(), *facts]).pedals[0]


def sample() -> Story:
    return tell(ferry_night())


def test_the_order_in_which_facts_were_written_does_not_matter() -> None:
    facts = ferry_night()
    mixed = facts.copy()
    random.Random(3).shuffle(mixed)
    assert tell(mixed) == tell(facts)


@given(st.lists(any_fact(), max_size=12))
def test_any_facts_at_all_make_a_story_whose_states_cover_the_take(facts: list[Fact]) -> None:
    story = tell(facts)
    for deck in story.decks:
        assert 0.0 <= deck.share_following <= 1.0 + 1e-9
        assert all(a.end_s == b.begin_s for a, b in pairwise(deck.stretches))
        if deck.stretches:
            assert deck.stretches[0].begin_s == 0.0
            assert deck.stretches[-1].end_s == pytest.approx(story.length_s)


def test_a_take_is_counted_from_its_start_or_its_earliest_fact() -> None:
    assert take_began(ferry_night()) == BEGAN
    assert take_began([ended(7.0), told(3.0, 84)]) == 3.0
    assert take_began([]) == 0.0


def test_the_sample_take_is_told_as_it_was_played() -> None:
    story = sample()
    assert (story.name, story.length_s, story.ended) == ("20261125T190312Z-ferry-night", LENGTH_S, "tapebridge end")
    assert [deck.name for deck in story.decks] == ["north", "south"]
    assert [(round(s.begin_s, 1), s.state) for s in story.decks[0].stretches] == [
        (0.0, "idle"),
        (1.5, "listening"),
        (20.0, "following"),
        (56.5, "holding"),
        (62.0, "following"),
        (92.0, NOT_HEARD),
        (93.6, "idle"),
        (94.0, "listening"),
        (97.0, "following"),
        (108.0, "holding"),
        (114.0, "following"),
    ]
    assert story.decks[0].share_following == pytest.approx((36.5 + 30 + 11 + 6) / 120)
    assert [(c.kind, c.deck) for c in story.changes] == [
        ("started", "south"),
        ("stopped", "north"),
        ("another tape", "north"),
        ("speed switch", "north"),
    ]
    assert [mark.seconds for mark in story.marks] == [pytest.approx(31.4), pytest.approx(71.0)]


def test_a_curve_is_broken_where_beats_are_missing_and_where_the_listener_began_anew() -> None:
    deck = north(*beats(10, 8, 60), *beats(21, 8, 60, first=11), *beats(29, 8, 60, first=0), ended(60))
    assert [len(run) for run in deck.runs] == [8, 8, 8]


def test_one_missed_beat_breaks_the_curve_only_by_its_number() -> None:
    assert [len(run) for run in north(*beats(10, 4, 60), *beats(15, 4, 60, first=4), ended(60)).runs] == [8]
    assert [len(run) for run in north(*beats(10, 4, 60), *beats(15, 4, 60, first=5), ended(60)).runs] == [4, 4]


def test_a_curve_is_broken_where_the_deck_was_changed_by_hand() -> None:
    deck = north(*beats(10, 8, 60), changed(17.5), *beats(18, 8, 118, first=8), ended(60))
    assert [[b.tempo for b in run] for run in deck.runs] == [[60.0] * 8, [118.0] * 8]
    assert [piece.reference for piece in deck.pieces] == [60.0, 118.0]


def test_beats_before_a_change_was_noticed_belong_to_what_was_believed_then() -> None:
    """The speed was switched at 17.5 s, but until 20 s the beats went on at the old tempo."""
    deck = north(*beats(10, 10, 59), changed(17.5, late=2.6), *beats(20.2, 8, 118, first=10), ended(60))
    assert [len(run) for run in deck.runs] == [10, 8]
    assert [(piece.lowest, piece.highest) for piece in deck.pieces] == [(59.0, 59.0), (118.0, 118.0)]


def test_a_curve_jumps_where_the_tempo_does() -> None:
    assert [len(run) for run in north(*beats(10, 5, 60), *beats(15, 5, 66, first=5), ended(60)).runs] == [5, 5]
    assert [len(run) for run in north(*beats(10, 5, 60), *beats(15, 5, 63, first=5), ended(60)).runs] == [10]


def test_beats_that_were_only_counted_on_while_holding_are_no_heard_tempo() -> None:
    deck = north(turn(1, "listening", "following"), *beats(10, 20, 60), turn(20.5, "following", "holding"), ended(60))
    assert [b.at for run in deck.runs for b in run] == [float(n) for n in range(10, 21)]


def test_beats_before_following_count_since_they_were_found_in_hindsight() -> None:
    found = [beat(10 + n, n, 60, known=14.0) for n in range(4)]
    deck = north(turn(1, "idle", "listening"), *found, turn(14, "listening", "following"), ended(20))
    assert len(deck.runs[0]) == 4


def test_drift_is_counted_against_the_first_unbroken_minute() -> None:
    """60 s at 90 bpm, then 2 % faster: +2 %. 1200 log2 1.02 = 34.283 cents (definition of the cent)."""
    deck = north(*beats(0, 91, 90), *beats(60 + 60 / 90, 30, 91.8, first=91), ended(100))
    (piece,) = deck.pieces
    assert piece.reference == 90.0
    assert piece.drift_percent == pytest.approx(2.0)
    assert piece.drift_cents == pytest.approx(34.283, abs=0.001)
    assert (piece.lowest, piece.highest) == (90.0, pytest.approx(91.8))


def test_without_a_minute_drift_is_counted_against_the_first_eight_beats() -> None:
    """1.5 % slow is -26.165 cents. Source: CHECK_VALUES 1.3, from the definition of the cent."""
    deck = north(*beats(0, 8, 80), *beats(6, 20, 78.8, first=8), ended(30))
    assert deck.pieces[0].reference == 80.0
    assert deck.pieces[0].drift_percent == pytest.approx(-1.5)
    assert deck.pieces[0].drift_cents == pytest.approx(-26.165, abs=0.001)


def moves(deck: DeckStory) -> list[tuple[str, int]]:
    return [(move.by, round(move.cents)) for piece in deck.pieces if piece.parts for move in piece.parts.moves]


def with_tempos(begin: float, tempos: list[float], first: int = 0) -> list[Fact]:
    placed: list[Fact] = []
    for tempo in tempos:
        placed.append(beat(begin, first + len(placed), tempo))
        begin += 60 / tempo
    return placed


def test_the_settling_of_a_beat_that_was_just_found_is_no_move_and_no_drift() -> None:
    """The first five beats are 1.7 % slow: 29 cents. The same five of a beat that is long known are a move."""
    settling = with_tempos(10, [118.0] * 5 + [120.0] * 60)
    (piece,) = north(turn(10, "listening", "following"), *settling, ended(60)).pieces
    assert piece.parts is not None
    assert piece.parts.moves == ()
    low, high = piece.parts.slow_range
    assert high - low < 1
    known = with_tempos(10, [118.0] * 30 + [120.0] * 60)
    assert moves(north(turn(10, "listening", "following"), *known, ended(80))) == [("step", 29)]


@pytest.mark.parametrize("told", [True, False], ids=["told by hand", "found by itself"])
def test_a_beat_that_is_counted_otherwise_is_no_move_of_the_tape(told: bool) -> None:
    recounted = [BeatRecounted(at=29.8, deck="north", factor=0.5)] * told
    deck = north(*beats(10, 40, 120), *recounted, *beats(30, 20, 60, first=40), ended(60))
    assert moves(deck) == []
    assert [piece.reference for piece in deck.pieces] == [120.0, 60.0]


def test_a_beat_that_is_recounted_begins_a_piece_whatever_its_tempo_does_next() -> None:
    """It was told half, and found to be a third slower still within its first beats."""
    recounted = BeatRecounted(at=29.8, deck="north", factor=0.5)
    deck = north(*beats(10, 40, 120), recounted, *beats(30, 20, 42, first=40), ended(70))
    assert [piece.reference for piece in deck.pieces] == [120.0, 42.0]


def test_what_beats_did_while_a_change_was_not_known_yet_is_no_move() -> None:
    """The deck was switched at 40 s and that was known at 46 s; meanwhile the beats went astray by 2 %, 34 cents."""
    astray = [*beats(10, 61, 120), *beats(40.2, 11, 122.4, first=61)]
    told_late = north(*astray, changed(40, late=6), *beats(46.2, 20, 60, first=72), ended(70))
    assert moves(told_late) == []
    assert moves(north(*astray, *beats(46.2, 20, 122.4, first=72), ended(70))) == [("step", 34)]


def test_a_change_is_told_with_both_tempos_in_per_cent_and_when_it_was_noticed() -> None:
    (change,) = tell([started(), changed(30, 84.0, 63.0, late=2.5), ended(60)]).changes
    assert (change.before, change.after, change.percent) == (84.0, 63.0, pytest.approx(-25.0))
    assert change.noticed_after_s == pytest.approx(2.5)
    (first,) = tell([started(), changed(30, None, 63.0), ended(60)]).changes
    assert first.percent is None


@pytest.mark.parametrize(
    ("seconds", "kinds"),
    [
        pytest.param(0.6, ["already running"], id="at the begin"),
        pytest.param(0.05, ["already running"], id="sound from just before the listener said so"),
        pytest.param(2.2, ["started"], id="by hand"),
        pytest.param(29.0, ["started"], id="by hand, before a restart"),
        pytest.param(30.5, ["already running"], id="at a restart"),
        pytest.param(33.0, ["started"], id="by hand after a restart"),
    ],
)
def test_a_deck_that_ran_before_a_listener_heard_it_was_not_started_by_hand(seconds: float, kinds: list[str]) -> None:
    listening = [ListenerStarted(at=at, pid=n, start=n, rate=48_000, source="") for n, at in ((1, 0.1), (2, 30.0))]
    story = tell([started(), *listening, replace(changed(seconds), change="started"), ended(60)])
    assert [change.kind for change in story.changes] == kinds
    assert [change.by_hand for change in story.changes] == [kind == "started" for kind in kinds]


def test_another_change_is_by_hand_however_close_to_the_start_of_a_listener() -> None:
    listening = ListenerStarted(at=0.1, pid=1, start=1, rate=48_000, source="")
    (change,) = tell([started(), listening, changed(1.0), ended(60)]).changes
    assert change.by_hand


def test_what_a_pedal_is_told_is_folded_back_to_its_decks_tempo() -> None:
    (step,) = long_echo(told(5, 126.0, ratio=1.5), ended(10)).steps
    assert (step.seconds, step.deck_tempo, step.tempo) == (5.0, 84.0, 126.0)


@pytest.mark.parametrize(
    ("facts", "share"),
    [
        ([told(0.5, 60)], 1.0),
        ([told(0.5, 61.1)], 1.0),  # 1.8 % off
        ([told(0.5, 61.3)], 0.0),  # 2.2 % off
        ([told(0.5, 120, ratio=2.0)], 1.0),
        ([told(11.0, 60)], 0.5),  # told nothing for the first half
        ([told(0.5, 60), told(16.0, 90)], 0.75),
    ],
)
def test_a_pedals_share_counts_only_the_time_within_two_per_cent(facts: list[Fact], share: float) -> None:
    pedal = long_echo(*facts, *beats(1, 21, 60), ended(60))
    assert pedal.echoes is not None
    assert pedal.echoes.within_2 == pytest.approx(share)


def test_a_pedal_has_no_share_where_its_deck_was_never_heard() -> None:
    assert long_echo(told(0.5, 60), ended(60)).echoes is None
    assert long_echo(ended(60)).echoes is None


def test_a_follower_is_not_heard_while_the_listener_is_gone() -> None:
    again = ListenerStarted(at=25, pid=2, start=2, rate=48_000, source="")
    lost = ListenerLost(at=20, pid=1, why="killed")
    deck = north(turn(5, "listening", "following"), lost, again, turn(30, "idle", "listening"), ended(40))
    assert [(s.begin_s, s.end_s, s.state) for s in deck.stretches] == [
        (0, 5, "listening"),
        (5, 20, "following"),
        (20, 25, NOT_HEARD),
        (25, 30, "idle"),
        (30, 40, "listening"),
    ]


def test_a_take_without_an_end_lasts_to_its_last_fact() -> None:
    story = tell([started(), turn(5, "idle", "listening"), told(42, 84)])
    assert (story.length_s, story.ended) == (42.0, None)


def test_nothing_makes_an_empty_story() -> None:
    story = tell([])
    assert (story.length_s, story.decks, story.pedals, story.wall) == (0.0, (), (), None)


def test_decks_that_only_facts_name_are_told_too() -> None:
    assert [deck.name for deck in tell([turn(5, "idle", "listening"), ended(9)]).decks] == ["north"]
