"""One beat, held on to."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.follow.belief import Peak
from bridge.follow.line import Sight, Watch


def sight(period: float, beat: float = 0.0, hop: int = 0) -> Sight:
    return Sight(hop, beat, period, 0.9)


@given(period=st.floats(30, 150), beat=st.floats(0, 100), octave=st.sampled_from([0.5, 1.0, 2.0]), n=st.integers(-9, 9))
def test_an_octave_whose_beats_fall_together_is_the_same_beat(period, beat, octave, n):
    one, other = sight(period, beat), sight(period * octave, beat + n * period)
    assert one.agrees(other)
    assert other.agrees(one)


@given(period=st.floats(30, 150), beat=st.floats(0, 100))
def test_the_off_beat_and_other_tempos_are_another_beat(period, beat):
    one = sight(period, beat)
    assert not one.agrees(sight(period, beat + period / 2))
    assert not one.agrees(sight(period * 0.75, beat))
    assert not one.agrees(sight(period * 1.5, beat))


def test_a_peak_is_laid_against_hops():
    """At 60 bpm and 100 hops a second, a quarter beat after the beat."""
    seen = Sight.of(Peak(60.0, 0.25, 0.5), hop=1000, late=2.0, hops_per_s=100.0)
    assert seen.period == pytest.approx(100.0)
    assert seen.beat == pytest.approx(1000 - 2 - 25)
    assert seen.nearest(1180.0) == pytest.approx(1173.0)


def test_a_watch_counts_while_one_beat_goes_on_and_begins_anew_with_another():
    watch = Watch()
    assert watch.see(sight(60.0, 0.0, 10)) == 0
    assert watch.see(sight(60.5, 60.0, 70)) == 60
    assert watch.see(sight(80.0, 120.0, 90)) == 0
    assert watch.see(sight(80.0, 120.0, 100)) == 10
    assert watch.see(None) == 0
    assert watch.see(sight(80.0, 120.0, 110)) == 0
