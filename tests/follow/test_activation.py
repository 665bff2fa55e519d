"""The learned net."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.follow.activation import PHASE_BINS, TEMPO_BINS, Activation
from bridge.follow.features import Features
from bridge.weights import learned
from tests.follow.sounds import RATE, drums, hiss

NET = learned().net
DRUMS = np.array([hop.tones_db for hop in Features(RATE).hear(drums("gravel-path", 84.0, 12.0))])


def test_it_tells_probabilities_and_finite_odds():
    net = Activation(NET)
    for heard in net.hear(DRUMS[:300]):
        assert np.exp(heard.tempo).sum() == pytest.approx(1.0, abs=1e-3)
        assert np.exp(heard.phase).sum() == pytest.approx(1.0, abs=1e-3)
        assert heard.tempo.shape == (TEMPO_BINS,)
        assert heard.phase.shape == (PHASE_BINS,)
        assert np.isfinite([heard.beat, heard.present]).all()


def test_however_many_hops_are_heard_at_once_it_says_the_same():
    """Rounding aside: more rows are multiplied in another order."""
    one_by_one, net = Activation(NET), Activation(NET)
    alone = [one_by_one.hear(tones[None])[0] for tones in DRUMS]
    parts = np.split(DRUMS, np.cumsum([4, 1, 3, 40, 2, 100, 33, 64, 7]))
    together = [heard for part in parts for heard in net.hear(part)]
    np.testing.assert_allclose([heard.beat for heard in together], [heard.beat for heard in alone], atol=1e-3)
    np.testing.assert_allclose([heard.phase for heard in together], [heard.phase for heard in alone], atol=1e-3)


def test_drums_have_a_beat_and_hiss_has_none():
    net, quiet = Activation(NET), Activation(NET)
    bed = 0.3 * hiss(12.0, np.random.default_rng(1)).astype(np.float32)
    with_beat = [heard.present for heard in net.hear(DRUMS)]
    without = [heard.present for heard in quiet.hear(np.array([hop.tones_db for hop in Features(RATE).hear(bed)]))]
    assert np.median(with_beat[400:]) > 2 > -2 > np.median(without[400:])


def test_a_net_that_starts_anew_is_like_a_fresh_one_but_for_what_its_bands_usually_hold():
    net = Activation(NET)
    net.hear(DRUMS[:900])
    net.renew()
    again = [heard.beat for heard in net.hear(DRUMS[900:1200])]
    gone_on = [heard.beat for heard in Activation(NET).hear(DRUMS[:1200])][900:]
    assert np.abs(np.subtract(again, gone_on))[:50].max() > 0.5
    assert np.isfinite(again).all()


def test_silence_and_the_loudest_sound_leave_every_number_finite():
    net = Activation(NET)
    for heard in net.hear(np.array([np.full(32, -90.0), np.full(32, 60.0)] * 50)):
        assert np.isfinite(heard.beat)
        assert np.isfinite(heard.tempo).all()


def test_a_missing_array_is_refused():
    with pytest.raises(KeyError):
        Activation({name: array for name, array in NET.items() if name != "out_weight"})


def test_what_was_heard_more_than_a_minute_ago_counts_for_nothing():
    after = DRUMS[np.arange(6000) % len(DRUMS)]
    told = []
    for before in (DRUMS[:600], np.full((600, 32), -20.0)):
        told.append([heard.beat for heard in Activation(NET).hear(np.concatenate([before, after]))][600:])
    apart = np.abs(np.subtract(*told))
    assert apart[:300].max() > 0.1
    assert apart[5900:].max() < 1e-3
