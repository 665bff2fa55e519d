"""Is there a signal?"""

from __future__ import annotations

import numpy as np
import pytest

from bridge.follow.features import Hop, hop_frames
from bridge.follow.gate import Gate

RATE = 48_000
HOP = hop_frames(RATE)


def turns(levels_db: list[tuple[float, float]]) -> list[tuple[bool, float, float]]:
    """Return each turn of the gate: open or not, since when, and noticed when, in seconds. Levels are (seconds, dB)."""
    gate, frame, found = Gate(RATE), 0, []
    for seconds, level in levels_db:
        for _ in range(round(seconds * RATE / HOP)):
            frame += HOP
            if gate.hear(Hop(frame, level, np.zeros(1))):
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
