"""Beat and sound that turn together: another tape, or another speed."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.decks.octave_turn import OctaveTurn
from bridge.decks.speed import SpeedWatch
from bridge.follow.features import Features
from tests.follow.sounds import RATE, drums

A, B = "gravel-path", "winch-room"


def turns(sound: np.ndarray, octaves: list[tuple[float, int | None]]) -> list[float]:
    """Return when, in seconds, beat and sound turned, beside made-up octaves: from when on, which."""
    watch, turn, found = SpeedWatch(), OctaveTurn(), []
    for hop in Features(RATE).hear(sound):
        watch.hear(hop)
        at = hop.frame / RATE
        if turn.hear(next(octave for since, octave in reversed(octaves) if since <= at), watch):
            found.append(at)
    return found


@pytest.fixture(scope="module")
def two_tapes() -> np.ndarray:
    return np.concatenate([drums(A, 118.0, 20.0), drums(B, 59.0, 20.0)])


@pytest.mark.parametrize("octaves", [1, -1])
def test_an_octave_that_moved_with_the_sound_is_told_once_after_ten_seconds(two_tapes, octaves):
    assert turns(two_tapes, [(0.0, 0), (23.0, octaves)]) == [pytest.approx(32.9, abs=1.0)]


def test_an_octave_that_moved_while_the_sound_stayed_is_not_told():
    """A drummer who plays half as fast for a while."""
    assert turns(drums(A, 118.0, 40.0), [(0.0, 0), (23.0, -1)]) == []


@pytest.mark.parametrize(
    "octaves",
    [
        [(0.0, 0)],
        [(0.0, -1)],  # never heard as it is counted
        [(0.0, 0), (10.0, -1), (21.0, 0)],  # for ten seconds, then as before
        [(0.0, 0), (23.0, -1), (28.0, 1), (33.0, -1)],  # first one octave, then the other
        [(0.0, 0), (23.0, None)],  # followed no more
    ],
)
def test_a_sound_that_turned_alone_is_not_told(two_tapes, octaves):
    assert turns(two_tapes, octaves) == []
