"""Is there a signal?"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from bridge.follow.features import Features, Hop, hop_frames
from bridge.follow.gate import Gate

RATE = 48_000
HOP = hop_frames(RATE)
RATES = (8_000, 44_100, 48_000, 96_000, 192_000)


def turns(levels_db: list[tuple[float, float]]) -> list[tuple[bool, float, float]]:
    """Return each turn of the gate: open or not, since when, and noticed when, in seconds. Levels are (seconds, dB)."""
    gate, frame, found = Gate(RATE), 0, []
    for seconds, level in levels_db:
        for _ in range(round(seconds * RATE / HOP)):
            frame += HOP
            if gate.hear(Hop(frame, level, np.zeros(1), np.zeros(1), np.zeros(1, np.float32))):
                found.append((gate.is_open, gate.since / RATE, frame / RATE))
    return found


def test_it_opens_at_once_and_closes_after_a_second_of_quiet():
    (opened, since, noticed), (closed, end, noticed_end) = turns([(2, -90), (3, -30), (3, -90)])
    assert opened
    assert since == pytest.approx(2, abs=0.02)
    assert noticed - since < 0.06
    assert not closed
    assert end == pytest.approx(5, abs=0.02)
    assert noticed_end - end == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(
    "levels",
    [
        pytest.param([(60, -120)], id="silence"),
        pytest.param([(60, -66)], id="below -60 dB"),
        pytest.param([(2, -90), (0.02, -20), (2, -90)], id="a click"),
    ],
)
def test_it_stays_closed(levels):
    assert turns(levels) == []


def test_a_rest_shorter_than_a_second_is_no_stop():
    assert len(turns([(2, -90), (3, -30), (0.9, -90), (3, -30)])) == 1


def test_a_level_between_the_two_thresholds_turns_nothing():
    assert len(turns([(2, -90), (3, -30), (5, -62)])) == 1


def test_a_drone_is_a_signal_for_as_long_as_it_lasts():
    assert len(turns([(2, -90), (1200, -45)])) == 1


def test_steady_hiss_at_minus_58_is_learnt_as_the_floor():
    opened, closed = turns([(600, -58)])
    assert opened[0]
    assert not closed[0]


def opened_at(sound: NDArray[np.float64], rate: int) -> list[tuple[bool, float, float]]:
    """Return each turn of the gate over a sound: open or not, since when, and noticed when, in seconds."""
    gate, found = Gate(rate), []
    for hop in Features(rate).hear(sound.astype(np.float32)):
        if gate.hear(hop):
            found.append((gate.is_open, gate.since / rate, hop.frame / rate))
    return found


def hits(rate: int, length_s: float, every_s: float, count: int, peak: float = 1.0) -> NDArray[np.float64]:
    """Bursts of 1 kHz over a faint hiss: the first at 1 s, and 3 s of hiss after the last."""
    sound = np.random.default_rng(3).normal(0, 1e-4, round((4 + every_s * count) * rate))
    burst = peak * np.sin(2 * np.pi * 1000 * np.arange(round(length_s * rate)) / rate)
    for n in range(count):
        begin = round((1 + every_s * n) * rate)
        sound[begin : begin + len(burst)] += burst
    return sound


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("length_s", "every_s"), [(0.01, 0.5), (0.02, 0.5), (0.002, 0.5), (0.01, 0.231), (0.02, 0.97)])
def test_short_dry_hits_open_it_with_the_third_and_it_stays_open(rate, length_s, every_s):
    """A metronome or a rim shot never stays loud for as long as a drum does."""
    opened, closed = opened_at(hits(rate, length_s, every_s, 8), rate)
    assert opened[0]
    assert opened[1] == pytest.approx(1.0, abs=0.02)
    assert opened[2] == pytest.approx(1.0 + 2 * every_s, abs=0.05)
    assert closed[1] == pytest.approx(1.0 + 7 * every_s, abs=0.05)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(
    ("every_s", "count"),
    [pytest.param(1, 1, id="one crackle"), pytest.param(0.5, 2, id="in and out"), pytest.param(1.2, 6, id="far apart")],
)
def test_the_crackle_of_a_plug_does_not_open_it(rate, every_s, count):
    assert opened_at(hits(rate, 0.01, every_s, count), rate) == []


@pytest.mark.parametrize("rate", RATES)
def test_a_crackle_in_a_row_is_one_hit(rate):
    """Three pops within 0.15 s."""
    assert opened_at(hits(rate, 0.005, 0.05, 3), rate) == []


@pytest.mark.parametrize("rate", RATES)
def test_faint_pops_in_hiss_are_no_hits(rate):
    """-50 dB and less, four a second, over hiss at -62 dB."""
    faint = hits(rate, 0.01, 0.25, 40, peak=0.003) + np.random.default_rng(4).normal(0, 8e-4, 14 * rate)
    assert opened_at(faint, rate) == []
