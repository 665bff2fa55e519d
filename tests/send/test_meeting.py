"""Meeting points against a dumb enumeration of all beats, by hand, and by laws; and how well a line is known."""

from __future__ import annotations

from dataclasses import replace
from math import hypot
from random import Random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from bridge.events_foot import DeckStands
from bridge.send.beats import DeckBeats
from bridge.send.meeting import Line, LineSpread, deck_line, loop_line, meeting, ratio_of

WITHIN_S = 0.03
AHEAD_S = 300.0


def beats_of(line: Line, since: float, until: float, every: int = 1, first: float = 0.0) -> list[float]:
    """All beats, or all bar lines, between two instants, one by one."""
    period = 60.0 / line.tempo
    back = int((since - line.at) / period + line.beat - first) // every - 2
    number, found = first + back * every, []
    while (at := line.at + (number - line.beat) * period) <= until:
        if at >= since:
            found.append(at)
        number += every
    return found


def brute(slow: list[float], fast: list[float]) -> float | None:
    """The first of the slow ones that has a fast one near, tried pair by pair."""
    for at in slow:
        distances = [abs(at - other) for other in fast]
        assume(all(abs(distance - WITHIN_S) > 1e-7 for distance in distances))  # on the edge either is right
        if min(distances, default=1.0) <= WITHIN_S:
            return at
    return None


def test_two_lines_that_begin_together_by_hand() -> None:
    """120 and 121 bpm: 4.13 ms further apart each beat, so that 8 beats meet; together again from 56.5 s on."""
    slow, fast = Line(at=0.0, beat=0.0, tempo=120.0), Line(at=0.0, beat=0.0, tempo=121.0)
    found = meeting(slow, fast, 0.0)
    assert found is not None
    assert (found.at, found.beats, found.ratio) == (0.0, 8, (1, 1))
    later = meeting(slow, fast, 4.1)
    assert later is not None
    assert later.at == pytest.approx(56.5)
    assert later.in_s == pytest.approx(52.4)
    assert later.beats == 15


def test_84_against_63_meets_4_to_3_on_every_third_beat_of_the_slower() -> None:
    slow, fast = Line(at=0.0, beat=0.0, tempo=63.0), Line(at=0.0, beat=0.0, tempo=84.0)
    found = meeting(fast, slow, 0.1)
    assert found is not None
    assert found.ratio == (4, 3)
    assert found.at == pytest.approx(3 * 60 / 63)
    assert found.beats == 313  # it never ends: every third beat of the 315 within 300 s
    swapped = meeting(slow, fast, 0.1)
    assert swapped == replace(found, ratio=(3, 4))


@pytest.mark.parametrize(
    ("tempo", "other", "ratio"),
    [(84, 63, (4, 3)), (120, 60, (2, 1)), (82, 84, (1, 1)), (60, 90, (2, 3)), (107, 100, None), (160, 20, (8, 1)),
     (400, 20, None), (61.7, 60, (1, 1)), (61.9, 60, None)],
)  # fmt: skip
def test_ratios(tempo: float, other: float, ratio: tuple[int, int] | None) -> None:
    assert ratio_of(tempo, other) == ratio


LINES = st.builds(
    Line,
    at=st.floats(0, 50),
    beat=st.floats(-100, 100),
    tempo=st.floats(20, 200),
    bar=st.integers(2, 7),
    one=st.one_of(st.none(), st.integers(-8, 8).map(float)),
)


@settings(max_examples=60, deadline=None)
@given(one=LINES, other=LINES)
def test_what_is_found_is_what_a_dumb_search_finds(one: Line, other: Line) -> None:
    now = 50.0
    assume(abs(one.tempo - other.tempo) > 1e-6)
    slow, fast = sorted((one, other), key=lambda line: line.tempo)
    slow_beats = beats_of(slow, now, now + AHEAD_S)
    fast_beats = beats_of(fast, now - 1, now + AHEAD_S + 1)
    assume(all(at - now > 1e-6 and now + AHEAD_S - at > 1e-6 for at in slow_beats[:1] + slow_beats[-1:]))
    expected, found = brute(slow_beats, fast_beats), meeting(one, other, now)
    if expected is None:
        assert found is None
        return
    assert found is not None
    assert found.at == pytest.approx(expected, abs=1e-6)
    assert found.in_s == pytest.approx(expected - now, abs=1e-6)
    every = min(found.ratio) if found.ratio is not None else 1
    in_pattern = slow_beats[slow_beats.index(expected) :][::every]
    apart = next(
        (n for n, at in enumerate(in_pattern) if brute([at], fast_beats) is None), len(in_pattern)
    )  # fmt: skip
    assert found.beats == (apart - 1) * every + 1
    if one.one is None or other.one is None:
        assert found.bars_at is None
        return
    assume(abs(one.bar / one.tempo - other.bar / other.tempo) > 1e-9)
    fewer, more = sorted((one, other), key=lambda line: -line.bar / line.tempo)
    expected = brute(
        beats_of(fewer, now, now + AHEAD_S, fewer.bar, fewer.one or 0.0),
        beats_of(more, now - 30, now + AHEAD_S + 30, more.bar, more.one or 0.0),
    )
    assert found.bars_at == (None if expected is None else pytest.approx(expected, abs=1e-6))


@given(one=LINES, other=LINES, spread=st.floats(0, 0.02), phase=st.floats(0, 0.2))
def test_nothing_is_told_that_is_less_sure_than_a_quarter_of_a_beat(
    one: Line, other: Line, spread: float, phase: float
) -> None:
    """And what is told does not depend on how sure it is."""
    sure = meeting(one, other, 50.0)
    unsure = meeting(replace(one, period_sd=spread, phase_sd=phase), replace(other, period_sd=spread), 50.0)
    if sure is None:
        assert unsure is None
        return
    sd = hypot(phase, (sure.at - one.at) * spread, (sure.at - other.at) * spread)
    quarter = 15.0 / max(one.tempo, other.tempo)
    assume(abs(sd - quarter) > 1e-9)
    assert (unsure is not None) == (sd < quarter)
    if unsure is not None:
        assert (unsure.at, unsure.beats, unsure.ratio) == (sure.at, sure.beats, sure.ratio)
        assert unsure.sd_s == pytest.approx(sd)


def test_lines_that_never_meet_are_not_told_of() -> None:
    """The same tempo, a quarter of a beat apart."""
    assert meeting(Line(at=0.0, beat=0.0, tempo=60.0), Line(at=0.0, beat=0.25, tempo=60.0), 5.0) is None


def test_what_lies_out_of_range_is_refused() -> None:
    with pytest.raises(ValueError, match="tempo"):
        Line(at=0.0, beat=0.0, tempo=float("nan"))
    with pytest.raises(ValueError, match="period_sd"):
        Line(at=0.0, beat=0.0, tempo=60.0, period_sd=float("nan"))
    with pytest.raises(ValueError, match="now"):
        meeting(Line(at=0.0, beat=0.0, tempo=60.0), Line(at=0.0, beat=0.0, tempo=60.0), float("inf"))


def test_a_loop_is_a_line_with_a_fixed_period() -> None:
    line = loop_line(100.0, 7.97, 8.0)
    assert line == Line(at=100.0, beat=0.0, tempo=60.0, bar=4, one=0.0)
    bare = loop_line(100.0, 7.0, 7.0)
    assert bare is not None
    assert bare.one is None
    assert loop_line(100.0, 0.4, 1.0) is None
    assert loop_line(100.0, 1.0, 100.0) is None


def test_a_deck_is_a_line_known_up_to_its_last_word() -> None:
    deck = DeckBeats("north", bar=3)
    assert deck_line(deck, LineSpread(), 5.0) is None
    deck.take(DeckStands(at=4.0, deck="north", state="following", runs=True, tempo=90.0, beats=6.0))
    line = deck_line(deck, LineSpread(), 5.0)
    assert line == Line(at=4.0, beat=6.0, tempo=90.0, bar=3, period_sd=0.02, phase_sd=0.03)
    deck.count_one(4.0)
    line = deck_line(deck, LineSpread(), 5.0)
    assert line is not None
    assert line.one == 9.0


def heard(period_noise: float, phase_noise: float, leap: bool = False) -> LineSpread:
    """A minute of words about a steady tape, each off at random."""
    random, spread = Random(3), LineSpread()
    for number in range(240):
        at = 100.0 + number / 4
        tempo = 90.0 * (1 + random.gauss(0, period_noise))
        beat = (at + random.gauss(0, phase_noise)) * 1.5 + (17 if number > 100 else 0)  # counted from elsewhere
        if leap and number in (200, 215):
            beat += 0.5
        spread.hear(at, beat, tempo)
    return spread


def test_the_deviation_is_that_of_what_was_told() -> None:
    assert heard(0.005, 0.0).period_sd == pytest.approx(0.005, rel=0.35)
    assert heard(0.0, 0.02).phase_sd == pytest.approx(0.02 * 2**0.5, rel=0.35)  # both words are off
    assert heard(0.02, 0.0).period_sd > 3 * heard(0.005, 0.0).period_sd


def test_single_leaps_do_not_move_it() -> None:
    assert heard(0.005, 0.005, leap=True).period_sd < 1.5 * heard(0.005, 0.005).period_sd


def test_a_steady_line_is_never_called_perfect_nor_a_new_one_known() -> None:
    spread = LineSpread()
    assert (spread.phase_sd, spread.period_sd) == (0.03, 0.02)
    steady = heard(0.0, 0.0)
    assert (steady.phase_sd, steady.period_sd) == (0.003, 0.0003)


def test_words_that_are_old_or_far_apart_count_for_nothing() -> None:
    spread = LineSpread()
    for number in range(40):
        spread.hear(100.0 + 10 * number, 0.3 * number, 90.0)
        spread.hear(100.0 + 10 * number, 0.9, 90.0)
        spread.hear(50.0, 0.9, 90.0)
    assert (spread.phase_sd, spread.period_sd) == (0.03, 0.02)
    with pytest.raises(ValueError, match="tempo"):
        spread.hear(1e6, 0.0, float("nan"))
