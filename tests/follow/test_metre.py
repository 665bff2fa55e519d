"""Kick and snare tell which of two places half a beat apart is the beat."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.follow.metre import Metre

TURN = 1 / 60  # beats a hop: 100 bpm


def turns(drums_at: float, beats: int, *, other: float | None = None) -> list[int]:
    """Return during which beats the metre finds the beat half off, with a drum at one place of every beat."""
    metre, found = Metre(), []
    for hop in range(60 * beats):
        place = hop % 60 / 60
        near = min(abs(place - at) for at in (drums_at, other) if at is not None)
        metre.hear(1.0 if near < 0.5 / 60 else 0.0, 0.0)
        if hop % 4 == 3:
            metre.believe(place, TURN)
            if metre.is_half_off:
                found.append(hop // 60)
    return found


def test_drums_on_the_beat_leave_it_there():
    assert turns(0.0, 60) == []


def test_drums_half_way_turn_the_beat_once_enough_were_heard():
    found = turns(0.5, 30)
    assert found
    assert 7 <= found[0] <= 12


def test_drums_on_beats_and_halves_alike_leave_the_beat():
    assert turns(0.0, 60, other=0.5) == []


def test_drums_without_a_pulse_leave_the_beat():
    metre, rng = Metre(), np.random.default_rng(1)
    hops = set(np.cumsum(rng.uniform(20, 90, 200)).astype(int).tolist())
    for hop in range(6000):
        metre.hear(float(hop in hops), 0.0)
        metre.believe(hop % 60 / 60, TURN)
        assert not metre.is_half_off


def test_few_drums_say_nothing():
    metre = Metre()
    for hop in range(60 * 5):
        metre.hear(float(hop % 60 == 0), 0.0)
        metre.believe(hop % 60 / 60, TURN)
    assert metre.lean == 0.0


def beaten(kick_every: int, snare_every: int, snare_first: int, beats: int = 20) -> Metre:
    """Return a metre after kicks and snares on some of the beats."""
    metre = Metre()
    for hop in range(60 * beats):
        beat, on = hop // 60, hop % 60 == 0
        metre.hear(float(on and beat % kick_every == 0), float(on and beat % snare_every == snare_first))
        metre.believe(hop % 60 / 60, TURN)
    return metre


def test_a_kick_on_every_second_beat_and_nothing_on_the_others_is_a_beat_of_half_the_tempo():
    since = beaten(2, 99, 50).since_kick
    assert since is not None
    assert since == pytest.approx(119 / 60, abs=0.02)  # 20 beats, the last hop is just before the next kick


def test_a_snare_on_the_beats_without_a_kick_makes_them_beats():
    assert beaten(2, 2, 1).since_kick is None


def test_a_kick_on_each_beat_forbids_twice_the_tempo():
    metre = beaten(1, 2, 1)
    assert metre.is_each_beat
    assert metre.since_kick is None


def test_a_backbeat_counted_at_half_its_tempo_does_not_forbid_twice_of_it():
    metre = Metre()
    for hop in range(60 * 30):
        metre.hear(float(hop % 60 == 0), float(hop % 60 == 30))
        metre.believe(hop % 60 / 60, TURN)
    assert not metre.is_each_beat
