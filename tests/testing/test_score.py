"""A score praises what is good, and nothing else: perfect, lagging, half-tempo, hasty and empty sets made by hand."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from bridge.events import BeatPlaced, FollowerChanged
from bridge.rig import Pedal
from bridge.testing.pedals import CLOCK
from bridge.testing.score import score
from bridge.testing.truth import Change, DeckTruth, Stretch, Truth

START_AT = 5000.0
PEDALS = (
    Pedal(name="long echo", port="Pedals A", listens_to="north"),
    Pedal(name="short echo", port="Pedals B", listens_to="north", ratio=Fraction(2)),
)


def stretch(*parts):
    """A stretch of steady tempos: pairs of (from second, bpm), ended by (second, None)."""
    times = np.array([time_s for time_s, _ in parts], dtype=float)
    tempos = np.array([tempo for _, tempo in parts[:-1]], dtype=float)
    knots_s = np.unique(np.concatenate([np.arange(times[0], times[-1], 0.01), times]))
    tempo = tempos[np.clip(np.searchsorted(times, knots_s, side="right") - 1, 0, len(tempos) - 1)]
    count = np.concatenate([[0.0], np.cumsum(np.diff(knots_s) * tempo[:-1] / 60)])
    return Stretch(begin_s=times[0], end_s=times[-1], knots_s=knots_s, count=count, tempo=tempo)


def change(time_s, kind, before, after):
    return Change(time_s=time_s, kind=kind, tempo_before=before, tempo_after=after)


TRUTH = Truth(
    decks={
        "north": DeckTruth(
            stretches=(
                stretch((10, 84), (40, None)),
                stretch((42, 59), (67, 118), (80, None)),
                stretch((90, 118), (110, None)),
            ),
            changes=(
                change(10.0, "started", None, 84.0),
                change(40.0, "stopped", 84.0, None),
                change(42.0, "another tape", 84.0, 59.0),
                change(67.0, "speed switch", 59.0, 118.0),
                change(80.0, "beat gone", 118.0, None),
                change(90.0, "beat back", None, 118.0),
            ),
        ),
        "south": DeckTruth(stretches=(), changes=(change(0.0, "started", None, None),)),
    },
    pedals=PEDALS,
    bed_s=(0.0, 10.0),
    length_s=110.0,
)
TOLD = ((10.0, 84.0), (42.0, 59.0), (67.0, 118.0))


def clock(told, late_s=0.0, factor=1.0):
    """What a sender would have sent: 24 ticks a quarter at each tempo told, on and on, in host time."""
    log, time_s = [], told[0][0] + late_s
    while time_s < 110.0:
        log.append((START_AT + time_s, CLOCK))
        tempo = [bpm for begin_s, bpm in told if begin_s + late_s <= time_s + 1e-9][-1]
        time_s += 2.5 / (tempo * factor)
    return log


def logs(told=TOLD, late_s=0.0, factor=1.0):
    return {pedal.name: clock(told, late_s, factor * float(pedal.ratio)) for pedal in PEDALS}


def state(time_s, deck="north", now="following"):
    return FollowerChanged(at=START_AT + time_s, deck=deck, was="listening", now=now)


FACTS = [
    state(12.0),
    BeatPlaced(at=START_AT + 12.0, deck="north", index=0, tempo=84.0, confidence=0.9, known=START_AT + 12.0),
]


@pytest.fixture
def page(tmp_path):
    path = tmp_path / "review.html"
    path.write_text("<!doctype html>", encoding="utf-8")
    return path


def verdicts(result):
    return [line.passed for line in result.table()]


def test_a_perfect_set_passes_every_line(page):
    result = score(TRUTH, logs(), FACTS, START_AT, page)
    assert result.passed
    assert verdicts(result) == [True] * 5
    assert len(result.lines()) == 5
    assert all(line.endswith("good") for line in result.lines())
    assert min(result.shares.values()) > 0.95
    assert max(catch.after_s for catch in result.catches) < 2.0
    assert max(np.abs(catch.errors_ms).max() for catch in result.catches) < 25.0
    assert np.median(np.abs(np.concatenate([catch.errors_ms for catch in result.catches]))) < 1.0


def test_an_empty_set_fails_every_line():
    """No clock and no fact: never a false start, but nothing that could be praised."""
    result = score(TRUTH, {}, [], START_AT)
    assert not result.passed
    assert verdicts(result) == [False] * 5
    assert all(line.endswith("short of it") for line in result.lines())
    assert result.false_starts == 0
    assert "never started" in result.lines()[3]
    assert result.lines()[1].count("never") == 4


def test_a_follower_that_is_off_fails_every_line_even_with_a_review(page):
    """The page is there, but the take behind it holds no beat."""
    listening = [state(1.0, now="listening"), state(0.5, deck="south", now="listening")]
    assert verdicts(score(TRUTH, {}, listening, START_AT, page)) == [False] * 5


def test_a_set_told_ten_seconds_late_is_short_of_it(page):
    result = score(TRUTH, logs(late_s=10.0), FACTS, START_AT, page)
    assert verdicts(result) == [False, False, True, True, True]
    first = result.catches[0]
    assert first.after_s == pytest.approx(10.2, abs=0.3)
    assert "first beat tape 10." in result.lines()[1]


def test_half_the_tempo_is_never_caught(page):
    result = score(TRUTH, logs(factor=0.5), FACTS, START_AT, page)
    assert verdicts(result) == [False, False, False, True, True]
    assert max(result.shares.values()) < 0.02
    assert result.lines()[1].count("never") == 4


def test_one_change_missed_is_seen_where_it_was(page):
    """The speed switch is not passed on: that change and the beat's return are never caught, the others are."""
    result = score(TRUTH, logs(TOLD[:2]), FACTS, START_AT, page)
    caught = {catch.change.kind: catch.after_s is not None for catch in result.catches}
    assert caught == {"started": True, "another tape": True, "speed switch": False, "beat back": False}
    assert not result.passed


@pytest.mark.parametrize(("tempo", "near"), [(84 * 1.019, True), (84 * 1.021, False), (84 / 1.021, False)])
def test_near_is_two_percent_of_the_tape(tempo, near):
    result = score(TRUTH, logs(((10.0, tempo),)), FACTS, START_AT)
    assert (result.catches[0].after_s is not None) is near


def test_the_echo_error_of_a_clock_that_is_one_percent_slow_is_one_percent_of_the_beat():
    """At 84 bpm and ratio 1: 7.14 ms late, 1 % of a beat; at ratio 2 half of both."""
    result = score(TRUTH, logs(((10.0, 84 / 1.01),)), FACTS, START_AT)
    long, short = (next(c for c in result.catches if c.pedal == pedal.name) for pedal in PEDALS)
    assert long.errors_ms == pytest.approx(0.01 * 60_000 / 84, rel=0.02)
    assert long.errors == pytest.approx(0.01, rel=0.02)
    assert short.errors_ms == pytest.approx(0.005 * 60_000 / 84, rel=0.02)


@pytest.mark.parametrize(
    ("facts", "pedal_log", "count"),
    [
        ([state(3.0)], {}, 1),
        ([state(60.0, deck="south")], {}, 1),
        ([], {"long echo": [(START_AT + 9.0, CLOCK)]}, 1),
        ([state(3.0), state(6.0)], {"short echo": [(START_AT + 9.0, CLOCK)]}, 3),
        ([], {"long echo": [(START_AT + 9.0, b"\xfe")]}, 0),
        ([state(10.5), state(3.0, now="listening")], {}, 0),
    ],
)
def test_false_starts_are_counted_on_the_bed(facts, pedal_log, count, page):
    """South never has a beat, so to follow it is a false start at any time."""
    merged = {name: [*pedal_log.get(name, []), *log] for name, log in logs().items()}
    result = score(TRUTH, merged, [*FACTS, *facts], START_AT, page)
    assert result.false_starts == count
    assert result.table()[3].passed is (count == 0)


def test_a_review_that_is_not_there_is_no_review(tmp_path):
    result = score(TRUTH, logs(), FACTS, START_AT, tmp_path / "review.html")
    assert verdicts(result) == [True, True, True, True, False]


def test_truth_knows_where_the_tape_will_be():
    """Half a beat of 59 bpm is 508 ms; a beat that ends before is no place."""
    north = TRUTH.decks["north"]
    assert north.later_s(50.0, 0.5) == pytest.approx(50.0 + 30 / 59)
    assert np.isnan(north.later_s([39.9, 41.0, 109.9], 1.0)).all()
    assert north.beats_s()[:2] == pytest.approx([10.0, 10.0 + 60 / 84])
    assert (np.diff(north.beats_s()) > 0).all()
    assert north.tempo_at([20.0, 50.0, 70.0, 100.0]) == pytest.approx([84, 59, 118, 118])
    assert np.isnan(north.tempo_at([5.0, 41.0, 85.0])).all()
    assert len(TRUTH.decks["south"].beats_s()) == 0


@pytest.mark.parametrize(
    "arrays",
    [
        {"count": np.array([0.0, 0.0])},
        {"knots_s": np.array([0.0, float("nan")])},
        {"tempo": np.array([84.0])},
        {"end_s": 2.0},
        {"begin_s": 1.0},
    ],
)
def test_a_stretch_that_does_not_fit_together_is_refused(arrays):
    fields = {"begin_s": 0.0, "end_s": 1.0, "knots_s": np.array([0.0, 1.0]), "count": np.array([0.0, 1.4])}
    with pytest.raises(ValueError, match="must"):
        Stretch(**(fields | {"tempo": np.array([84.0, 84.0])} | arrays))
