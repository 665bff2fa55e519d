"""Conversions against outside values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge import units


@pytest.mark.parametrize(
    ("tempo", "interval_ms"),
    [(60, 41.666667), (80, 31.25), (90, 27.777778), (97, 25.773196), (120, 20.833333), (140, 17.857143)],
)
def test_the_clock_interval_is_2500_over_bpm_ms(tempo, interval_ms):
    """Source: MIDI 1.0, 24 clocks a quarter note; the table of CHECK_VALUES 3.1."""
    assert units.tick_interval_s(tempo) * 1000 == pytest.approx(interval_ms, abs=1e-6)


@pytest.mark.parametrize(
    ("change_pct", "expected"),
    [(-15, -281.358), (-6, -107.121), (-1, -17.399), (0.5, 8.635), (3, 51.173), (6, 100.877), (10, 165.004)],
)
def test_a_speed_change_in_per_cent_is_so_many_cents(change_pct, expected):
    """Source: the definition 1200 log2 r; the table of CHECK_VALUES 1.3."""
    assert units.cents(1 + change_pct / 100) == pytest.approx(expected, abs=5e-4)


def test_half_and_double_speed_are_an_octave():
    """Source: CHECK_VALUES 1.3."""
    assert units.cents(0.5) == -1200
    assert units.cents(2) == 1200


@given(st.floats(-4800, 4800))
def test_cents_and_ratios_are_each_others_inverse(interval):
    assert units.cents(units.ratio_of_cents(interval)) == pytest.approx(interval, abs=1e-9)


@given(st.floats(units.TEMPO_MIN, units.TEMPO_MAX))
def test_a_beat_is_24_ticks_long(tempo):
    assert units.period_s(tempo) == pytest.approx(24 * units.tick_interval_s(tempo))


@pytest.mark.parametrize(("rms", "expected"), [(1.0, 0.0), (0.1, -20.0), (0.5, -6.0206), (0.0, -120.0), (1e-9, -120.0)])
def test_a_level_is_20_log10_of_full_scale_and_never_below_minus_120_db(rms, expected):
    assert units.level_db(rms) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0:00"), (59.99, "0:59"), (60, "1:00"), (3599, "59:59"), (3600, "1:00:00"), (36061, "10:01:01")],
)
def test_durations_read_as_a_clock(seconds, text):
    assert units.clock_text(seconds) == text


@pytest.mark.parametrize(
    ("function", "value"),
    [
        (units.checked_tempo, 19.99),
        (units.checked_tempo, 400.1),
        (units.checked_tempo, math.nan),
        (units.period_s, 0.0),
        (units.tick_interval_s, math.inf),
        (units.cents, 0.0),
        (units.cents, math.nan),
        (units.ratio_of_cents, math.inf),
        (units.level_db, -0.1),
        (units.level_db, math.nan),
        (units.clock_text, -1.0),
        (units.clock_text, math.nan),
    ],
)
def test_a_value_out_of_range_is_refused_and_named(function, value):
    with pytest.raises(ValueError, match="got " + repr(value).replace("-", r"\-")):
        function(value)


def test_one_of_a_thing_is_told_from_several():
    assert [units.counted(n, "late tick") for n in (0, 1, 2)] == ["0 late ticks", "1 late tick", "2 late ticks"]
