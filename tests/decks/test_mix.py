"""When a tape in a mix is believed to have come, or to have left."""

from __future__ import annotations

import numpy as np

from bridge.decks.mix import Mix
from bridge.events import FollowerState
from bridge.follow.features import Features
from tests.decks.test_layers import bed
from tests.follow.sounds import RATE, drums


def heard(sound: np.ndarray, *followed: tuple[float, FollowerState]) -> list[tuple[float, bool]]:
    """Return when an edge was told, in seconds, and whether a tape played from then on."""
    mix, told = Mix(), []
    for hop in Features(RATE).hear(sound.astype(np.float32)):
        state = next(state for at, state in reversed(followed) if at <= hop.frame / RATE)
        if mix.hear(hop, state) is not None:
            told.append((hop.frame / RATE, mix.plays))
    return told


def with_drums(begin_s: float, end_s: float, seconds: float) -> np.ndarray:
    sound = bed(seconds)
    sound[round(begin_s * RATE) : round(end_s * RATE)] += drums("gravel-path", 84.0, end_s - begin_s)
    return sound


def test_a_tape_is_told_when_its_beat_is_caught_and_when_it_is_missed():
    sound = with_drums(6.0, 16.0, 20.0)
    told = heard(sound, (0, "listening"), (9.0, "following"), (17.6, "holding"))
    assert [(round(at, 1), plays) for at, plays in told] == [(9.2, True), (17.6, False)]


def test_a_beat_that_is_missed_late_was_ridden_away():
    sound = with_drums(6.0, 14.0, 20.0)
    assert len(heard(sound, (0, "listening"), (9.0, "following"), (17.6, "holding"))) == 1


def test_a_beat_that_was_there_from_the_begin_was_not_started():
    sound = with_drums(1.2, 12.0, 12.0)
    assert heard(sound, (0, "listening"), (4.0, "following")) == []


def test_a_beat_that_is_lost_while_its_tape_plays_on_is_nothing():
    sound = with_drums(6.0, 24.0, 24.0)
    assert len(heard(sound, (0, "listening"), (9, "following"), (17, "holding"), (19, "following"))) == 1


def test_without_a_beat_nothing_is_told():
    assert heard(with_drums(6.0, 16.0, 20.0), (0, "listening")) == []
