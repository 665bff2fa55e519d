"""What the hand did to a deck."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bridge.decks.transport import Change, Transport
from bridge.events import FollowerState
from bridge.follow.features import Features
from bridge.follow.prior import octave_gap
from tests.follow.sounds import NORTH, RATE, Heard, drums, hear, hiss, horns, silence, switched

Followed = tuple[float, FollowerState, float | None]


def told(sound: np.ndarray, followed: list[Followed]) -> list[Change]:
    """Return what is told of a sound beside a follower that is made up: from when on, its state and its tempo."""
    transport, changes = Transport(NORTH, RATE), []
    for hop in Features(RATE).hear(sound):
        _, state, tempo = next(row for row in reversed(followed) if row[0] <= hop.frame / RATE)
        changes += transport.hear(hop, state, tempo)
    return changes


def heard_of(*parts: np.ndarray) -> Heard:
    return hear(np.concatenate(parts))


@pytest.fixture(scope="module")
def evening() -> Heard:
    """A tape, two seconds of nothing, another tape at half speed, switched to normal."""
    return heard_of(
        silence(2.0),
        drums("gravel-path", 84.0, 12.0),
        silence(2.0),
        switched("winch-room", 59.0, 118.0, 12.0),
    )


def test_each_change_is_told_once(evening):
    assert evening.kinds() == ["started", "stopped", "started", "another tape", "speed switch"]


def test_each_change_is_placed_where_it_was(evening):
    at = [change.frame / RATE for change in evening.changes]
    assert at == pytest.approx([2.0, 14.0, 16.0, 16.0, 28.0], abs=0.6)
    known = [change.known / RATE for change in evening.changes]
    assert known == pytest.approx([2.05, 15.0, 16.05, 19.0, 31.0], abs=1.5)
    assert known == sorted(known)
    assert all(change.known > change.frame for change in evening.changes)


def test_tempos_before_and_after_are_told(evening):
    tempos = [(change.tempo_before, change.tempo_after) for change in evening.changes]
    assert tempos[0] == tempos[2] == (None, None)
    assert tempos[1] == (pytest.approx(84, rel=0.01), None)
    assert tempos[3] == (pytest.approx(84, rel=0.01), pytest.approx(59, rel=0.02))
    assert tempos[4] == (pytest.approx(59, rel=0.01), pytest.approx(118, rel=0.01))


def test_the_follower_moves_its_octave_with_the_switch(evening):
    assert evening.tempo_after(34) == pytest.approx(118, rel=0.01)


def test_levels_before_and_after_are_told(evening):
    started, stopped = evening.changes[:2]
    assert started.level_before_db < -70 < -45 < started.level_after_db
    assert stopped.level_after_db < -70 < -30 < stopped.level_before_db


def test_the_same_tape_started_again_is_not_another():
    heard = heard_of(drums("gravel-path", 84.0, 10.0), silence(2.0), drums("gravel-path", 85.0, 10.0))
    assert heard.kinds() == ["started", "stopped", "started"]


def test_another_tape_without_a_stop_is_told_by_tempo_and_sound():
    heard = heard_of(drums("gravel-path", 84.0, 14.0), drums("winch-room", 63.0, 12.0))
    assert heard.kinds() == ["started", "another tape"]
    assert heard.changes[1].frame / RATE == pytest.approx(14.0, abs=1.0)
    assert octave_gap(heard.changes[1].tempo_after, 63.0) == pytest.approx(0.0, abs=0.03)


def test_a_varispeed_ride_is_no_change():
    ride = drums("gravel-path", [84, 84, 84, 96.6, 96.6, 96.6], 30.0)
    assert hear(ride).kinds() == ["started"]


def test_a_beat_that_goes_and_comes_back_is_no_change():
    bed = 0.3 * hiss(30.0, np.random.default_rng(6)).astype(np.float32)
    bed[: 12 * RATE] += drums("gravel-path", 84.0, 12.0)
    bed[20 * RATE :] += drums("gravel-path", 84.0, 10.0)
    assert hear(bed).kinds() == ["started"]


def test_a_switch_that_leads_out_of_the_range_keeps_the_octave():
    """84 doubled is 168; the deck's range ends at 130, so both are read as 84."""
    heard = hear(switched("winch-room", 84.0, 168.0, 12.0))
    assert heard.kinds() == ["started", "speed switch"]
    assert heard.changes[1].tempo_after == pytest.approx(84.0, rel=0.01)
    assert heard.tempo_after(17.5) == pytest.approx(84.0, rel=0.01)


def test_a_rest_of_less_than_a_second_is_no_stop():
    heard = heard_of(drums("gravel-path", 84.0, 10.0), silence(0.8), drums("gravel-path", 84.0, 5.0))
    assert heard.kinds() == ["started"]


def test_the_same_tape_started_again_at_another_varispeed_is_not_another():
    heard = heard_of(drums("gravel-path", 84.0, 10.0), silence(2.0), drums("gravel-path", 94.0, 12.0))
    assert heard.kinds() == ["started", "stopped", "started"]
    assert heard.tempo_after(20) == pytest.approx(94.0, rel=0.01)


def test_another_tape_is_told_even_if_the_first_tempo_that_was_caught_was_the_old_one():
    sound = np.concatenate([drums("gravel-path", 84.0, 10.0), silence(2.0), drums("winch-room", 63.0, 12.0)])
    before: list[Followed] = [(0, "listening", None), (3, "following", 84.0), (11, "idle", None)]
    changes = told(sound, [*before, (12.1, "listening", None), (15, "following", 82.5), (16, "following", 63.0)])
    assert [change.kind for change in changes] == ["started", "stopped", "started", "another tape"]
    assert changes[3].frame == changes[2].frame
    assert (changes[3].tempo_before, changes[3].tempo_after) == (84.0, 63.0)


def test_a_tempo_that_is_put_right_is_not_another_tape_again():
    sound = np.concatenate([drums("gravel-path", 84.0, 14.0), drums("winch-room", 63.0, 12.0)])
    changes = told(
        sound, [(0, "listening", None), (3, "following", 84.0), (17, "following", 75.0), (18.5, "following", 63.0)]
    )  # fmt: skip
    assert [change.kind for change in changes] == ["started", "another tape"]


def test_another_tempo_with_the_same_sound_is_not_another_tape():
    """Whatever the follower makes of it."""
    sound = drums("gravel-path", 84.0, 24.0)
    assert [change.kind for change in told(sound, [(0, "following", 84.0), (14, "following", 75.0)])] == ["started"]


MIXER = replace(NORTH, mixed=True)


@pytest.fixture(scope="module")
def mixed() -> np.ndarray:
    """A bed from end to end; over it a tape of drums, three seconds without, and another."""
    sound = 0.3 * horns(33.0, np.random.default_rng(1))
    sound[5 * RATE : 17 * RATE] += drums("gravel-path", 84.0, 12.0)
    sound[20 * RATE :] += drums("winch-room", 66.0, 13.0)
    return sound.astype(np.float32)


def test_in_a_mix_tapes_are_heard_to_come_and_leave_while_another_sounds_on(mixed):
    changes = hear(mixed, deck=MIXER).changes
    assert [change.kind for change in changes] == ["started", "started", "stopped", "started", "another tape"]
    assert [change.frame / RATE for change in changes[1:]] == pytest.approx([5.0, 17.0, 20.0, 20.0], abs=1.0)
    assert [change.sure for change in changes] == [True, False, False, False, True]
    assert octave_gap(changes[4].tempo_after, 66.0) == pytest.approx(0.0, abs=0.04)  # as it was caught: it settles yet


def test_blocks_of_any_size_tell_the_same_of_a_mix(mixed):
    assert hear(mixed, deck=MIXER, blocks=(441, 10_007, 64)).changes == hear(mixed, deck=MIXER).changes


def test_on_a_deck_of_its_own_what_comes_and_leaves_is_the_tapes_own_music(mixed):
    for deck in (NORTH, replace(MIXER, dry=(2,))):
        assert all(change.sure and change.kind != "stopped" for change in hear(mixed, deck=deck).changes)


@pytest.mark.parametrize("over_s", [0.5, 4.0])
def test_a_fader_that_rides_the_mix_or_one_deck_of_it_by_30_db_is_no_change(over_s):
    bed, tape = 0.3 * horns(36.0, np.random.default_rng(2)), drums("gravel-path", 84.0, 36.0, hiss=0.0)
    time_s = np.arange(len(bed)) / RATE
    fader = 10.0 ** (np.interp(time_s, [12, 12 + over_s, 22, 22 + over_s], [0, -30, -30, 0]) / 20.0)
    quiet = np.random.default_rng(3).normal(0, 2e-4, len(bed))
    for sound in (fader * (bed + tape), bed + fader * tape):
        assert hear((sound + quiet).astype(np.float32), deck=MIXER).kinds() == ["started"]
