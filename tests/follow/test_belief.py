"""The filter over tempo and phase, on evidence made by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.follow.belief import CLASSES, HALF_NEAR, NEAR, PLACES, Belief, phase_class
from bridge.follow.prior import tempo_prior

HOPS_PER_S = 100.0
TEMPOS = np.exp(np.arange(np.log(40), np.log(165), 0.0125))
USUAL = tempo_prior(TEMPOS, 80.0)

KNOCK = np.zeros((CLASSES, PLACES))
KNOCK[:, :] = -0.6
KNOCK[NEAR - 1 : NEAR + 2] = 1.2
"""What a hop with a knock says: likely on a beat and one hop beside it, unlikely elsewhere."""

QUIET = np.zeros((CLASSES, PLACES))
QUIET[NEAR] = -0.5
QUIET[NEAR - 1], QUIET[NEAR + 1] = -0.1, -0.1


def fed(period: float, hops: int, belief: Belief | None = None, first: float = 20.0) -> Belief:
    """Return a belief that heard a knock at every period."""
    belief = belief or Belief(TEMPOS, USUAL, HOPS_PER_S)
    beats = {round(first + n * period) for n in range(int((hops - first) / period) + 1)}
    for hop in range(hops):
        belief.hear(KNOCK if hop in beats else QUIET)
    return belief


@settings(max_examples=6, deadline=None)
@given(period=st.floats(40.0, 110.0), first=st.floats(0.0, 30.0))
def test_regular_knocks_are_believed_at_their_tempo_or_an_octave_of_it_and_on_the_beat(period, first):
    """Slower ones share the belief with their octave, so that no single peak has much of it."""
    hops = 1600
    peak = fed(period, hops, first=first).peak()
    octaves = np.log2(60 * HOPS_PER_S / period / peak.tempo)
    assert abs(octaves - round(octaves)) < np.log2(1.015)
    its_period = 60 * HOPS_PER_S / peak.tempo
    last_beat = hops - 1 - peak.phase * its_period
    assert abs((last_beat - first + period / 2) % period - period / 2) < 2.0 or peak.tempo > 60 * HOPS_PER_S / period
    assert peak.weight > 0.1  # the slowest share it with their octave: 0.13 at 55 bpm


def test_before_anything_was_heard_there_is_no_beat():
    assert Belief(TEMPOS, USUAL, HOPS_PER_S).present == 0.0


def test_evidence_against_a_beat_leaves_none():
    belief = fed(60.0, 900)
    assert belief.present > 0.9
    for _ in range(1200):
        belief.hear(np.full((CLASSES, PLACES), -0.05))
    assert belief.present < 0.1


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 100))
def test_whatever_is_heard_the_belief_stays_a_probability(seed):
    rng = np.random.default_rng(seed)
    belief = Belief(TEMPOS, USUAL, HOPS_PER_S)
    for _ in range(200):
        belief.hear(rng.normal(0, 3, (CLASSES, PLACES)), rng.normal(0, 1, len(TEMPOS)))
        total = belief.by_tempo().sum()
        assert 0 <= total <= 1 + 1e-5
        assert total == pytest.approx(belief.present, abs=1e-4)


def test_a_told_tempo_decides_between_octaves():
    for told in (50.0, 100.0):
        belief = Belief(TEMPOS, tempo_prior(TEMPOS, 80.0, told), HOPS_PER_S)
        assert fed(120.0, 900, belief).peak().tempo == pytest.approx(told, rel=0.03)


def test_a_prior_told_later_weighs_what_is_believed_anew():
    belief = fed(60.0, 900)
    belief.expect(tempo_prior(TEMPOS, 80.0, 50.0, doubt=0.001))
    assert fed(120.0, 600, belief).peak().tempo == pytest.approx(50.0, rel=0.03)


def test_what_is_assumed_is_believed_at_its_place():
    belief = fed(77.0, 400)
    belief.assume(tempo_prior(TEMPOS, 90.0, 90.0), phase=0.25, share=0.9)
    peak = belief.peak()
    assert peak.tempo == pytest.approx(90.0, rel=0.02)
    assert peak.phase == pytest.approx(0.25, abs=0.03)
    assert peak.weight > 0.5


def test_a_turn_by_half_a_beat_moves_the_peak_there():
    belief = fed(60.0, 900)
    before = belief.peak()
    belief.turn_half()
    after = belief.peak()
    assert after.tempo == pytest.approx(before.tempo, rel=0.01)
    assert abs((after.phase - before.phase) % 1.0 - 0.5) < 0.05


NOTHING = np.full((CLASSES, PLACES), -0.05)
OFF_BEAT = KNOCK.copy()
OFF_BEAT[2 * NEAR + 1 : 2 * NEAR + 2 + 2 * HALF_NEAR] = 0.6
"""What a knock says that may lie half a beat beside the beat."""


@pytest.mark.parametrize(("heard_last", "place"), [((60.0, 100.0), 0.5), (None, 0.0)], ids=["awaited", "new"])
def test_a_first_knock_between_the_beats_that_are_awaited_is_no_beat(heard_last, place):
    """Three and a half beats after the last; of a beat that is new the first knock is one."""
    belief = Belief(TEMPOS, tempo_prior(TEMPOS, 80.0, 60.0), HOPS_PER_S)
    belief.expect(tempo_prior(TEMPOS, 80.0, 60.0), heard_last)
    for _ in range(290):
        belief.hear(NOTHING)
    for _ in range(2):
        belief.hear(OFF_BEAT)
    peak = belief.peak()
    assert peak.tempo == pytest.approx(60.0, rel=0.05)
    assert abs((peak.phase - place + 0.5) % 1.0 - 0.5) < 0.08


def test_where_a_beat_is_awaited_is_known_less_and_less():
    """After a minute of nothing a knock counts wherever it falls."""
    belief = Belief(TEMPOS, tempo_prior(TEMPOS, 80.0, 60.0), HOPS_PER_S)
    belief.expect(tempo_prior(TEMPOS, 80.0, 60.0), (0.0, 100.0))
    for _ in range(6050):
        belief.hear(NOTHING)
    fed(100.0, 250, belief, first=0.0)
    assert min(belief.peak().phase % 1.0, 1 - belief.peak().phase) == pytest.approx(0.49, abs=0.05)


@pytest.mark.parametrize("period", [1.0, 1e4])
def test_a_beat_awaited_at_no_tempo_of_the_deck_is_none(period):
    belief = Belief(TEMPOS, USUAL, HOPS_PER_S)
    belief.expect(USUAL, (0.0, period))
    for _ in range(50):
        belief.hear(QUIET)
    assert np.isfinite(belief.by_tempo()).all()
    assert 0.0 <= belief.present < 1.0


def test_forgetting_leaves_no_beat():
    belief = fed(60.0, 900)
    belief.forget()
    assert belief.present == 0.0


def test_classes_tell_the_beat_the_half_and_the_quarters():
    period = np.full(5, 80.0)
    kinds = phase_class(np.array([0.0, 79.0, 40.0, 20.0, 30.0]), period)
    assert list(kinds[:2]) == [NEAR, NEAR - 1]
    assert kinds[2] == 2 * NEAR + 1 + 3
    assert list(kinds[3:]) == [CLASSES - 2, CLASSES - 1]
