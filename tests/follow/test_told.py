"""How long a told tempo is believed."""

from __future__ import annotations

import pytest

from bridge.follow.told import Told


def told(tempo: float) -> Told:
    one = Told((40.0, 130.0))
    one.tempo = tempo
    return one


@pytest.mark.parametrize(("tempo", "fits"), [(84.0, True), (88.0, True), (43.0, True), (168.0, True), (100.0, False)])
def test_a_tempo_near_the_told_one_or_an_octave_of_it_fits(tempo, fits):
    assert told(84.0).fits(tempo) == fits


def test_nothing_fits_where_nothing_was_told():
    assert not Told((40.0, 130.0)).fits(84.0)


@pytest.mark.parametrize("tempo", [84.0, 42.0, 168.0, 126.0, 56.0])
def test_it_outlives_its_octaves_and_beats_in_three_taken_for_two(tempo):
    one = told(84.0)
    one.face(tempo)
    assert one.tempo == 84.0


def test_another_that_stays_ends_it():
    one = told(84.0)
    one.face(100.0)
    assert one.tempo is None


def test_it_moves_with_the_deck_and_keeps_its_octave_where_the_range_ends():
    one = told(84.0)
    one.move(0.5)
    assert one.tempo == 42.0
    one.move(0.5)
    assert one.tempo == 42.0
