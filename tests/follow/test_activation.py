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
    heard = Activation(NET).hear(DRUMS[:300])
    assert heard.tempo.shape == (300, TEMPO_BINS)
    assert heard.phase.shape == (300, PHASE_BINS)
    for probabilities in (np.exp(heard.tempo), np.exp(heard.phase)):
        np.testing.assert_allclose(probabilities.sum(axis=1), 1.0, atol=1e-3)
    assert np.isfinite([heard.beat, heard.present]).all()


def test_however_many_hops_are_heard_at_once_it_says_the_same():
    """Rounding aside: more rows are multiplied in another order."""
    one_by_one, net = Activation(NET), Activation(NET)
    alone = [one_by_one.hear(tones[None]) for tones in DRUMS]
    together = [net.hear(part) for part in np.split(DRUMS, np.cumsum([4, 1, 3, 40, 2, 100, 33, 64, 7]))]
    for name in ("beat", "present", "tempo", "phase"):
        of_one, of_all = ([getattr(heard, name) for heard in parts] for parts in (alone, together))
        np.testing.assert_allclose(np.concatenate(of_all), np.concatenate(of_one), atol=1e-3, rtol=1e-3)


def test_it_says_the_mean_of_what_it_makes_of_the_sound_a_little_higher_and_lower():
    """A band higher: what is heard in a band is what lay in the one below, and in the lowest is nothing."""
    still = np.repeat(DRUMS[:1], 300, axis=0)
    higher = np.concatenate([still[:, :1], DRUMS[:300, :-1]], axis=1)
    lower = np.concatenate([DRUMS[:300, 3:], still[:, :3]], axis=1)
    above, beneath = (Activation(NET, (0,)).hear(tones) for tones in (higher, lower))
    both = Activation(NET, (1, -3)).hear(DRUMS[:300])
    assert np.abs(above.beat - beneath.beat).max() > 1
    np.testing.assert_allclose(both.beat, (above.beat + beneath.beat) / 2, atol=1e-4)
    np.testing.assert_allclose(both.present, (above.present + beneath.present) / 2, atol=1e-4)
    mean = (above.phase + beneath.phase) / 2
    np.testing.assert_allclose(both.phase, mean - np.log(np.exp(mean).sum(axis=1, keepdims=True)), atol=1e-4)


def test_drums_have_a_beat_and_hiss_has_none():
    net, quiet = Activation(NET), Activation(NET)
    bed = 0.3 * hiss(12.0, np.random.default_rng(1)).astype(np.float32)
    with_beat = net.hear(DRUMS).present
    without = quiet.hear(np.array([hop.tones_db for hop in Features(RATE).hear(bed)])).present
    assert np.median(with_beat[400:]) > 2 > -2 > np.median(without[400:])


def test_a_net_that_starts_anew_is_like_a_fresh_one_but_for_what_its_bands_usually_hold():
    net = Activation(NET)
    net.hear(DRUMS[:900])
    net.renew()
    again = net.hear(DRUMS[900:1200]).beat
    gone_on = Activation(NET).hear(DRUMS[:1200]).beat[900:]
    assert np.abs(again - gone_on)[:50].max() > 0.5
    assert np.isfinite(again).all()


def test_silence_and_the_loudest_sound_leave_every_number_finite():
    heard = Activation(NET).hear(np.array([np.full(32, -90.0), np.full(32, 60.0)] * 50))
    for said in (heard.beat, heard.present, heard.tempo, heard.phase):
        assert np.isfinite(said).all()


def test_a_missing_array_is_refused():
    with pytest.raises(KeyError):
        Activation({name: array for name, array in NET.items() if name != "out_weight"})


def test_what_was_heard_more_than_a_minute_ago_counts_for_nothing():
    after = DRUMS[np.arange(6000) % len(DRUMS)]
    told = []
    for before in (DRUMS[:600], np.full((600, 32), -20.0)):
        told.append(Activation(NET).hear(np.concatenate([before, after])).beat[600:])
    apart = np.abs(np.subtract(*told))
    assert apart[:300].max() > 0.1
    assert apart[5900:].max() < 1e-3
