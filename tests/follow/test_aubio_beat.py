"""aubio's tempo tracker in the follower's place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bridge.follow.aubio_beat import AubioBeat
from bridge.follow.features import Features
from bridge.follow.follower import Follower
from bridge.follow.prior import octave_gap
from bridge.weights import learned
from tests.follow.sounds import NORTH, RATE, drums, hear, hiss, silence

REFERENCE = replace(NORTH, follower="aubio")


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000, 96_000])
def test_it_hears_the_beats_of_a_plain_tape_where_they_fall(rate):
    """A loop that repeats 84 times a minute, its octave aside; within 40 ms of a beat or of a half beat."""
    sense, off = AubioBeat(rate), []
    for number, hop in enumerate(Features(rate).hear(drums("gravel-path", 84.0, 30.0, rate=rate))):
        sense.hear(hop)
        sight = sense.sight(number + 1)
        if number > 2000 and sight.weight:
            half = 0.5 * 60.0 * rate / 84.0 / Features(rate).hop
            off.append((sight.beat / half + 0.5) % 1.0 - 0.5)
            assert octave_gap(60.0 * rate / Features(rate).hop / sight.period, 84.0) == pytest.approx(0.0, abs=0.02)
    assert len(off) > 500
    assert np.median(np.abs(off)) * 0.5 * 60.0 / 84.0 < 0.04


def test_it_goes_through_the_states_of_every_follower():
    heard = hear(np.concatenate([silence(2.0), drums("gravel-path", 84.0, 20.0), silence(4.0)]), deck=REFERENCE)
    assert heard.states() == ["listening", "following", "idle"]
    assert [beat.index for beat in heard.beats] == list(range(len(heard.beats)))
    assert (np.diff([beat.frame for beat in heard.beats]) > 0).all()
    assert octave_gap(float(np.median(heard.tempo_after(12.0))), 84.0) == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("blocks", [(64,), (97, 1000), (4096,)])
def test_any_block_size_gives_the_same_beats(blocks):
    sound = drums("gravel-path", 84.0, 12.0)
    assert hear(sound, deck=REFERENCE, blocks=blocks) == hear(sound, deck=REFERENCE)


@pytest.mark.parametrize("told", [42.0, 84.0])
def test_a_told_tempo_decides_the_octave(told):
    follower = Follower(replace(REFERENCE, tempo_range=(35, 180)), RATE, learned())
    follower.expect(told)
    for hop in Features(RATE).hear(drums("gravel-path", 84.0, 20.0)):
        follower.hear(hop)
    assert follower.tempo == pytest.approx(told, rel=0.02)


def test_taps_settle_the_tempo_and_it_is_held():
    follower = Follower(REFERENCE, RATE, learned())
    taps, moves = [1.0 + n * 60.0 / 84.0 for n in range(4)], []
    for hop in Features(RATE).hear(0.3 * hiss(4.0, np.random.default_rng(4)).astype(np.float32)):
        follower.hear(hop)
        if taps and hop.frame >= taps[0] * RATE:
            moves += follower.tap(taps.pop(0) * RATE)
    assert follower.tempo is not None
    assert octave_gap(follower.tempo, 84.0) == pytest.approx(0.0, abs=0.02)


def test_it_hears_no_beat_before_it_found_one_and_none_a_while_after_the_last():
    sense, features = AubioBeat(RATE), Features(RATE)
    assert sense.present == 0.0
    assert sense.sight(0).weight == 0.0
    for hop in features.hear(drums("gravel-path", 84.0, 15.0)):
        sense.hear(hop)
    assert sense.present == 1.0
    for hop in features.hear(np.zeros(10 * RATE, np.float32)):
        sense.hear(hop)
    assert sense.present == 0.0
    sense.forget()
    assert sense.sight(7).weight == 0.0
