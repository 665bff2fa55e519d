"""The learned net."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.follow.activation import PHASE_BINS, TEMPO_BINS, Activation
from bridge.follow.features import Features
from bridge.weights import learned
from tests.follow.sounds import RATE, drums, hiss

NET = learned().net
DRUMS = [hop.tones_db for hop in Features(RATE).hear(drums("gravel-path", 84.0, 12.0))]


def test_it_tells_probabilities_and_finite_odds():
    net = Activation(NET)
    for tones in DRUMS[:300]:
        heard = net.hear(tones)
        assert np.exp(heard.tempo).sum() == pytest.approx(1.0, abs=1e-3)
        assert np.exp(heard.phase).sum() == pytest.approx(1.0, abs=1e-3)
        assert heard.tempo.shape == (TEMPO_BINS,)
        assert heard.phase.shape == (PHASE_BINS,)
        assert np.isfinite([heard.beat, heard.present]).all()


def test_drums_have_a_beat_and_hiss_has_none():
    net, quiet = Activation(NET), Activation(NET)
    bed = 0.3 * hiss(12.0, np.random.default_rng(1)).astype(np.float32)
    with_beat = [net.hear(tones).present for tones in DRUMS]
    without = [quiet.hear(hop.tones_db).present for hop in Features(RATE).hear(bed)]
    assert np.median(with_beat[400:]) > 2 > -2 > np.median(without[400:])


def test_a_net_that_starts_anew_is_like_a_fresh_one_but_for_what_its_bands_usually_hold():
    net = Activation(NET)
    for tones in DRUMS[:900]:
        net.hear(tones)
    net.renew()
    again = [net.hear(tones).beat for tones in DRUMS[900:1200]]
    onward = Activation(NET)
    gone_on = [onward.hear(tones).beat for tones in DRUMS[:1200]][900:]
    assert np.abs(np.subtract(again, gone_on))[:50].max() > 0.5
    assert np.isfinite(again).all()


def test_silence_and_the_loudest_sound_leave_every_number_finite():
    net = Activation(NET)
    for tones in (np.full(32, -90.0), np.full(32, 60.0)) * 50:
        heard = net.hear(tones)
        assert np.isfinite(heard.beat)
        assert np.isfinite(heard.tempo).all()


def test_a_missing_array_is_refused():
    with pytest.raises(KeyError):
        Activation({name: array for name, array in NET.items() if name != "out_weight"})


def test_what_was_heard_more_than_a_minute_ago_counts_for_nothing():
    after = [DRUMS[i % len(DRUMS)] for i in range(6000)]
    told = []
    for before in (DRUMS[:600], [np.full(32, -20.0)] * 600):
        net = Activation(NET)
        told.append([net.hear(tones).beat for tones in before + after][600:])
    apart = np.abs(np.subtract(*told))
    assert apart[:300].max() > 0.1
    assert apart[5900:].max() < 1e-3
