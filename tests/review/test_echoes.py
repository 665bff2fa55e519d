"""How well a pedal's echoes sit on the beat: shares of time, error in ms and beats, and each catch-up."""

from __future__ import annotations

import pytest

from bridge.events import BeatPlaced
from bridge.review.echoes import echoes_of
from bridge.review.story import Echoes, Step


def beats(tempo: float, count: int, begin: float = 0.0) -> tuple[BeatPlaced, ...]:
    return tuple(
        BeatPlaced(at=begin + n * 60 / tempo, deck="north", index=n, tempo=tempo, confidence=1, known=begin + n)
        for n in range(count)
    )


def told(seconds: float, tempo: float, ratio: float = 1.0) -> Step:
    return Step(seconds=seconds, deck_tempo=tempo, tempo=tempo * ratio, ratio=ratio, why="drift")


def echoes(*steps: Step, runs=None) -> Echoes:
    found = echoes_of(steps, runs or [beats(60, 101)], 0.0)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("tempo", "within"),
    [(60.0, (1, 1, 1)), (60.5, (1, 1, 1)), (60.9, (0, 1, 1)), (62.0, (0, 0, 1)), (57.2, (0, 0, 1)), (64.0, (0, 0, 0))],
)
def test_shares_of_the_time_within_one_two_and_five_per_cent(tempo, within):
    found = echoes(told(0, tempo))
    assert (found.within_1, found.within_2, found.within_5) == within


def test_an_echo_is_off_by_the_difference_of_the_periods():
    """At 60 bpm an echo at 61 comes after 60 / 61 s: 16.39 ms early. Source: 60000 / bpm."""
    found = echoes(told(0, 61.0))
    assert found.usual_ms == pytest.approx(1000 - 60_000 / 61, abs=1e-6)
    assert found.usual_beats == pytest.approx(found.usual_ms / 1000, abs=1e-9)


def test_a_shorter_delay_is_off_by_less():
    """Two clock beats a beat: the echo comes after half a beat, and is off by half as much."""
    assert echoes(told(0, 61.0, ratio=2.0)).usual_ms == pytest.approx((1000 - 60_000 / 61) / 2)


def test_the_worst_five_per_cent_of_the_time_are_told_apart_from_the_usual():
    found = echoes(told(0, 60.0), told(90.5, 61.0))
    assert found.usual_ms == 0.0
    assert found.worst_ms == pytest.approx(16.39, abs=0.01)


def test_each_catch_up_has_its_begin_length_and_worst():
    found = echoes(
        told(0, 60.0), told(20.4, 63.0), told(22.4, 66.0), told(30.4, 60.3), told(70.4, 55.0), told(75.4, 60.0)
    )
    assert [(away.begin_s, away.end_s) for away in found.catch_ups] == [(20.0, 30.0), (70.0, 75.0)]
    assert [away.worst_percent for away in found.catch_ups] == [pytest.approx(10.0), pytest.approx(-100 / 12)]


def test_being_away_twice_within_a_moment_is_once():
    steps = [told(0, 60.0), told(20.4, 63.0), told(24.4, 60.0), told(26.4, 63.0), told(30.4, 60.0)]
    assert len(echoes(*steps).catch_ups) == 1


def test_before_it_was_told_anything_a_pedal_has_nothing_to_catch_up():
    found = echoes(told(50, 60.0))
    assert found.within_5 == pytest.approx(0.5, abs=0.01)
    assert found.catch_ups == ()


def test_without_beats_or_orders_there_is_nothing_to_tell():
    assert echoes_of([], [beats(60, 9)], 0.0) is None
    assert echoes_of([told(0, 60)], [], 0.0) is None
    assert echoes_of([told(0, 60)], [beats(60, 1)], 0.0) is None
