"""What each hop says."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.follow.belief import CLASSES, HALF_ON, NEAR, PLACES
from bridge.follow.evidence import Evidence
from bridge.follow.features import Features
from bridge.weights import learned
from tests.follow.sounds import RATE, drums

TEMPOS = np.geomspace(40, 160, 100)
HOPS = Features(RATE).hear(drums("gravel-path", 84.0, 10.0))


@pytest.mark.parametrize("what", [learned(), learned().onsets_alone()], ids=["net and onsets", "onsets alone"])
def test_every_hop_says_something_finite_of_each_state(what):
    weighed = Evidence(what, TEMPOS).hear(HOPS[:200])
    assert weighed.by_kind.shape == (200, CLASSES, PLACES)
    assert np.isfinite(weighed.by_kind).all()
    assert weighed.by_tempo is None or weighed.by_tempo.shape == (200, len(TEMPOS))
    assert (weighed.net is None) == (what.net is None)


@pytest.mark.parametrize("what", [learned(), learned().onsets_alone()], ids=["net and onsets", "onsets alone"])
def test_on_the_beat_the_beat_is_likelier_than_elsewhere(what):
    """84 bpm: the loop begins on a beat, and a beat shows two hops late."""
    evidence = Evidence(what, TEMPOS)
    said = evidence.hear(HOPS).by_kind[:, [NEAR, CLASSES - 1]].mean(axis=2)
    beats = np.rint(np.arange(6, 13) * 6000 / 84.0 + 2).astype(int)
    on_beat = said[beats, 0] - said[beats, 1]
    elsewhere = said[beats + 20, 0] - said[beats + 20, 1]
    assert on_beat.mean() > elsewhere.mean() + 0.3


def test_a_told_tempo_makes_the_net_keep_quiet_about_it():
    evidence = Evidence(learned(), TEMPOS)
    evidence.is_told = True
    assert evidence.hear(HOPS[:1]).by_tempo is None


def test_read_half_a_beat_on_the_beat_and_its_half_change_places():
    plain, turned = Evidence(learned(), TEMPOS), Evidence(learned(), TEMPOS)
    turned.is_half_off = True
    one, other = plain.hear(HOPS[:200]).by_kind, turned.hear(HOPS[:200]).by_kind
    # Onsets are read as they fall: only the net's word on the beat moves, so what is left does not hang on places.
    left = other - np.roll(one.take(HALF_ON, axis=1), PLACES // 2, axis=2)
    np.testing.assert_allclose(left, np.repeat(left[:, :, :1], PLACES, axis=2), atol=1e-4)
