"""The built-in set really contains what its truth says, heard with other ears than the bridge's own."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import aubio
import numpy as np
import pytest

from bridge.testing.night import LENGTH_S, build_night, built_in_rig

RATE = 16_000  # enough for the drums, and quick


@cache
def heard(seed):
    return build_night(seed, RATE)


@pytest.fixture(params=[1, 2])
def night(request):
    return heard(request.param)


def north(night):
    return night.truth.decks["north"]


def when(night, kind):
    return next(change.time_s for change in north(night).changes if change.kind == kind)


def part(night, deck, begin_s, end_s):
    return night.sound[round(begin_s * RATE) : round(end_s * RATE), deck]


def level_db(sound):
    return 20 * np.log10(np.std(sound) + 1e-12)


def onsets_s(sound):
    ear = aubio.onset("hfc", 512, 128, RATE)
    return np.array([ear.get_last_s() for i in range(0, len(sound) - 128, 128) if ear(sound[i : i + 128])[0]])


def pulse(sound):
    """How much the rises of loudness repeat at any period of 30 to 200 bpm: 0 not at all, 1 exactly.

    Autocorrelation of the rises of log energy at 100 frames a second; an ear of its own, unlike aubio's.
    """
    energy = np.log(1e-4 + np.sqrt(np.mean(sound[: len(sound) // 160 * 160].reshape(-1, 160) ** 2, axis=1)))
    rises = np.maximum(0.0, np.diff(energy))
    rises -= rises.mean()
    lags = np.correlate(rises, rises, "full")[len(rises) - 1 :]
    return lags[30:200].max() / lags[0]


def test_it_is_two_minutes_of_two_channels_below_full_scale(night):
    assert night.sound.shape == (round(LENGTH_S * RATE), 2)
    assert night.sound.dtype == np.float32
    assert 0.3 < np.abs(night.sound).max() < 0.9
    assert np.isfinite(night.sound).all()


def test_the_rig_plays_what_the_set_is_made_of(night):
    """One channel a deck; every pedal on a port of its own, listening to a deck that exists."""
    rig = night.rig
    assert rig == built_in_rig(RATE)
    assert [deck.name for deck in rig.decks] == list(night.truth.decks) == ["north", "south"]
    assert [deck.channels for deck in rig.decks] == [(1,), (2,)]
    assert rig.pedals == night.truth.pedals
    assert {pedal.listens_to for pedal in rig.pedals} == {"north"}
    assert {pedal.port for pedal in rig.pedals} == set(rig.midi.virtual) == {"Pedals A", "Pedals B"}
    assert rig.sound.rate == night.rate == RATE


def test_the_changes_come_in_the_order_of_the_set(night):
    kinds = [change.kind for change in north(night).changes]
    assert kinds == ["started", "stopped", "another tape", "speed switch", "beat gone", "beat back"]
    times = [change.time_s for change in north(night).changes]
    assert times == pytest.approx([15, 50, 52.4, 77.4, 91.4, 101.4], abs=2.0)
    assert (np.diff(times) > 1.5).all()
    assert night.truth.bed_s == (0.0, times[0])
    assert len(night.truth.decks["south"].stretches) == 0


def test_the_tempos_are_those_of_the_tapes(night):
    """84 drifting about 3 %, then 59, then 118 bpm; NaN where no beat is."""
    gravel, winch, again = north(night).stretches
    assert np.median(gravel.tempo) == pytest.approx(84, rel=0.02)
    drift = np.mean(gravel.tempo[-2000:]) / np.mean(gravel.tempo[:2000]) - 1
    assert 0.022 < abs(drift) < 0.034
    assert np.median(winch.tempo[:20_000]) == pytest.approx(59, rel=0.006)
    assert np.median(again.tempo) == pytest.approx(118, rel=0.006)
    silent = [5.0, when(night, "stopped") + 1.0, when(night, "beat gone") + 4.0]
    assert np.isnan(north(night).tempo_at(silent)).all()


def test_the_speed_switch_glides_to_double_within_a_third_of_a_second(night):
    at = when(night, "speed switch")
    tempo = north(night).tempo_at([at - 0.01, at + 0.15, at + 0.31])
    assert tempo[2] / tempo[0] == pytest.approx(2.0, rel=0.01)
    assert tempo[0] * 1.2 < tempo[1] < tempo[2] * 0.9


def test_beats_only_move_forward_and_keep_to_their_tempo(night):
    """Between two beats the tempo, added up over time, makes one beat: also across the speed switch."""
    for stretch in north(night).stretches:
        beats_s = stretch.beats_s()
        assert (np.diff(beats_s) > 0).all()
        for begin_s, end_s in pairwise(beats_s):
            tempo = north(night).tempo_at(np.linspace(begin_s, end_s, 400))
            assert np.mean(tempo) / 60 * (end_s - begin_s) == pytest.approx(1.0, abs=0.003)


def test_drums_are_heard_on_the_true_beats(night):
    """Of the beats of each tape, 70 % have an onset within 35 ms of them, far more than chance gives."""
    for stretch in north(night).stretches:
        begin_s = stretch.begin_s + 1.0
        found_s = begin_s + onsets_s(part(night, 0, begin_s, stretch.end_s))
        beats_s = stretch.beats_s()
        beats_s = beats_s[(beats_s > begin_s + 0.1) & (beats_s < stretch.end_s - 0.8)]
        hit = np.abs(found_s[None, :] - beats_s[:, None]).min(axis=1) < 0.035
        chance = min(1.0, len(found_s) * 0.07 / (stretch.end_s - begin_s))
        assert np.mean(hit) > 0.7
        assert np.mean(hit) > chance + 0.3


def test_the_beat_comes_back_at_the_place_where_it_would_be(night):
    """The tape ran on: counting on from the last beat before, at the tempo since, gives the beats after."""
    _, winch, again = north(night).stretches
    last_s, first_s = winch.beats_s()[-1], again.beats_s()[0]
    between = (first_s - last_s) * np.mean([winch.tempo[-1], again.tempo[0]]) / 60
    assert between == pytest.approx(round(between), abs=0.1)


def test_the_bed_and_the_steam_have_no_pulse_and_the_drums_have_one(night):
    gone, back = when(night, "beat gone"), when(night, "beat back")
    assert pulse(part(night, 0, 20.0, 32.0)) > 0.3
    assert pulse(part(night, 0, when(night, "another tape") + 1.0, when(night, "speed switch"))) > 0.3
    assert pulse(part(night, 0, when(night, "speed switch") + 1.0, gone - 0.8)) > 0.3
    assert pulse(part(night, 0, gone + 1.2, back)) < 0.15
    assert pulse(part(night, 1, 0.0, 15.0)) < 0.25
    assert pulse(part(night, 1, 2.0, 118.0)) < 0.2


def test_north_is_still_between_the_tapes_and_sounds_on_when_the_beat_is_gone(night):
    stopped, started = when(night, "stopped"), when(night, "another tape")
    gone, back = when(night, "beat gone"), when(night, "beat back")
    assert 1.5 <= started - (stopped + 0.6) <= 2.0
    assert level_db(part(night, 0, stopped + 0.65, started)) < -70
    assert level_db(part(night, 0, 1.0, 14.0)) < -70
    assert -50 < level_db(part(night, 0, gone + 1.0, back)) < -25


def test_the_bed_sounds_on_from_end_to_end_without_a_jump(night):
    """In any 50 ms from the third second on, south neither leaps by 9 dB nor falls below -55 dB."""
    sound = part(night, 1, 3.0, 119.0)
    levels = np.array([level_db(block) for block in sound[: len(sound) // 800 * 800].reshape(-1, 800)])
    assert levels.min() > -55
    assert levels.max() < -8
    assert np.diff(levels).max() < 9


def test_the_hands_make_no_click(night):
    """At every start, stop and fade, two frames in a row differ no more than they do in the drums themselves."""
    usual = np.abs(np.diff(part(night, 0, 25.0, 45.0))).max()
    for change in north(night).changes:
        assert np.abs(np.diff(part(night, 0, change.time_s - 0.05, change.time_s + 0.05))).max() < usual
    assert np.abs(night.sound[-1]).max() == 0.0
    assert np.abs(night.sound[0]).max() < 0.01


def test_the_same_seed_gives_the_same_frames_and_another_seed_another_night():
    one, same, other = heard(1), build_night(1, RATE), heard(2)
    assert np.array_equal(one.sound, same.sound)
    assert np.array_equal(north(one).beats_s(), north(same).beats_s())
    assert not np.array_equal(one.sound, other.sound)
    assert one.truth.bed_s != other.truth.bed_s


@pytest.mark.parametrize("rate", [0, 7_999, 192_001])
def test_a_rate_that_no_interface_has_is_refused(rate):
    with pytest.raises(ValueError, match="rate"):
        build_night(1, rate)
