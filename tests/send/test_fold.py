"""Which octave of its ratio a pedal is told."""

from __future__ import annotations

from fractions import Fraction
from math import log2

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bridge.events_hand import RatioFolded
from bridge.rig import DIVISIONS, Pedal, Taps, Times
from bridge.send.fold import Folding, limits_of, longest_division

ECHO = Pedal(name="long echo", port="Pedals A", listens_to="north")


def pedal(**keys: object) -> Pedal:
    return Pedal(**({"name": "long echo", "port": "Pedals A", "listens_to": "north"} | keys))  # type: ignore[arg-type]


TEMPI = st.floats(20, 400)
RATIOS = st.sampled_from([Fraction(n, d) for n in range(1, 5) for d in range(1, 5) if Fraction(1, 4) <= Fraction(n, d)])


@given(
    tempo=TEMPI,
    ratio=RATIOS,
    division=st.sampled_from(sorted(DIVISIONS.values())),
    shortest=st.floats(1, 2000),
    width=st.floats(2, 50),
    slowest=st.floats(20, 200),
    faster=st.floats(2, 20),
)
def test_a_folded_ratio_is_octaves_away_and_within_every_limit_wherever_an_octave_can_be(
    tempo, ratio, division, shortest, width, slowest, faster
):
    """A delay lasts 60000 / bpm ms times its note value (CHECK_VALUES 6)."""
    tempo_range = (slowest, min(400.0, slowest * faster))
    echo = pedal(ratio=ratio, division=division, delay_ms=(shortest, shortest * width), tempo=tempo_range)
    folded = Folding((echo,)).wanted(tempo)
    octaves = log2(folded / ratio)
    assert octaves == round(octaves)

    def fits(ratio: Fraction) -> bool:
        told = tempo * float(ratio)
        delay_ms = 60_000 / told * float(division)
        return tempo_range[0] <= told <= tempo_range[1] and shortest <= delay_ms <= shortest * width

    within = [octave for octave in range(-4, 5) if fits(ratio * Fraction(2) ** octave)]
    assume(within)
    assert fits(folded)
    assert abs(octaves) == min(map(abs, within))


@given(tempi=st.lists(st.floats(74.0, 76.0), min_size=1, max_size=60))
def test_a_tempo_about_the_edge_of_a_limit_folds_once(tempi):
    """The longest delay of 800 ms is a beat of 75 bpm."""
    folding, said = Folding((pedal(delay_ms=(20, 800)),)), []
    for at, tempo in enumerate(tempi):
        folding.ratio = folding.wanted(tempo)
        said += folding.news(float(at), tempo)
    assert len(said) == (min(tempi) < 75.0)


def test_a_fold_is_said_once_with_the_limit_and_so_is_the_way_back():
    folding, said = Folding((ECHO, pedal(name="short echo", delay_ms=(20, 800)))), []
    for at, tempo in enumerate([84.0, 84.0, 59.0, 59.0, 58.9, 84.0, 84.0]):
        folding.ratio = folding.wanted(tempo)
        said += folding.news(float(at), tempo)
    assert said == [
        RatioFolded(
            at=2.0, pedal="short echo", asked=1.0, ratio=2.0, why="1/4 at 59.0 bpm, 1017 ms, is longer than its 800 ms"
        ),
        RatioFolded(at=5.0, pedal="long echo", asked=1.0, ratio=1.0, why="84.0 bpm fits again"),
    ]


def test_where_no_octave_fits_the_nearest_is_taken_and_that_is_said_once():
    """From 600 to 700 ms there is less than an octave: 100 bpm is 600 ms, 120 bpm 500 ms or 1000 ms."""
    folding, said = Folding((pedal(delay_ms=(600, 700)),)), []
    for at, tempo in enumerate([120.0, 120.5, 119.5, 100.0]):
        folding.ratio = folding.wanted(tempo)
        said += folding.news(float(at), tempo)
    assert [(fact.at, fact.ratio, fact.why) for fact in said] == [
        (0.0, 1.0, "1/4 at 120.0 bpm, 500 ms, is shorter than its 600 ms; no octave fits"),
        (3.0, 1.0, "100.0 bpm fits again"),
    ]


def test_a_tempo_outside_the_clock_that_a_pedal_takes_is_folded_too():
    folding = Folding((pedal(tempo=(80, 240)),))
    folding.ratio = folding.wanted(59.0)
    assert folding.ratio == 2
    [said] = folding.news(0.0, 59.0)
    assert said.why == "59.0 bpm is slower than its 80 bpm"


def test_after_a_restart_a_fold_is_not_said_again():
    folding = Folding((pedal(delay_ms=(20, 800)),))
    folding.resume(Fraction(2))
    assert folding.wanted(59.0) == 2
    assert folding.news(0.0, 59.0) == []


@pytest.mark.parametrize(
    ("keys", "division", "limits"),
    [
        ({}, 1, [(30, 300), (30, 3000)]),
        ({"division": Fraction(3, 4)}, Fraction(3, 4), [(30, 300), (22.5, 2250)]),
        (
            {"sync": ("times",), "times": Times(message="cc", number=1, points=((40, 0), (600, 127)))},
            1,
            [(100, 1500)],  # 600 ms and 40 ms: a pedal that is told times alone has no tempo range
        ),
        (
            {
                "sync": ("taps", "times"),
                "taps": Taps(message="cc", number=1),
                "times": Times(message="osc", address="/t", division=Fraction(2)),
            },
            2,
            [(30, 300), (30, 3000), (60, 6000)],
        ),
    ],
)
def test_limits_follow_from_the_note_values_in_use(keys, division, limits):
    """60000 / bpm ms times the note value within 20..2000 ms (CHECK_VALUES 6)."""
    assert longest_division(pedal(**keys)) == division
    assert [(limit.slowest, limit.fastest) for limit in limits_of(pedal(**keys))] == limits
