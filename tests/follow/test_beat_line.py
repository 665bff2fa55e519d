"""The beats that are placed."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.follow.beat_line import BeatLine
from bridge.follow.line import Sight

RATE, HOP = 44_100, 441


def run(line: BeatLine, first: int, hops: int, period: float, beat: float) -> list[float]:
    """Let hops pass in which a beat is seen at every period, and return where beats were placed, in hops."""
    placed = []
    for hop in range(first, first + hops):
        line.pass_to(hop * HOP, hop)
        if hop % 4 == 0:
            line.see(Sight(hop, beat, period, 0.9))
        placed += [one.frame / HOP for one in line.place(0.9)]
    return placed


def laid(period: float = 60.0, beat: float = 1000.0) -> BeatLine:
    line = BeatLine(RATE, HOP)
    line.pass_to(1010 * HOP, 1010)
    line.lay(Sight(1010, beat, period, 0.9), 6000 / period)
    return line


def test_beats_are_placed_where_they_are_seen_up_to_40_ms_ahead():
    line = laid()
    placed = run(line, 1011, 600, 60.0, 1000.0)
    assert placed == pytest.approx([1060.0 + 60.0 * n for n in range(len(placed))], abs=0.01)
    assert len(placed) == 10


def test_indexes_grow_by_one_over_a_jump_and_no_beat_comes_within_half_a_period():
    line = laid()
    line.pass_to(1057 * HOP, 1057)
    (first,) = line.place(0.9)
    line.pass_to(1070 * HOP, 1070)
    line.lay(Sight(1070, 1063.0, 80.0, 0.9), 75.0)
    placed = [beat for hop in range(1071, 1400) for beat in (line.pass_to(hop * HOP, hop), *line.place(0.9)) if beat]
    frames = np.array([first.frame, *(beat.frame for beat in placed)]) / HOP
    assert [beat.index for beat in placed] == [first.index + 1 + n for n in range(len(placed))]
    assert np.diff(frames).min() >= 40.0


def test_a_hold_goes_back_to_the_tempo_from_before_the_beat_went():
    line = laid()
    run(line, 1011, 600, 60.0, 1000.0)
    run(line, 1611, 100, 63.0, 1000.0)
    assert line.hold() == pytest.approx(100.0, rel=0.005)


def test_half_a_turn_moves_what_comes_by_half_a_beat():
    line = laid()
    run(line, 1011, 300, 60.0, 1000.0)
    line.turn_half()
    placed = run(line, 1311, 300, 60.0, 1030.0)
    assert [(beat - 1000.0) % 60.0 for beat in placed] == pytest.approx([30.0] * len(placed), abs=0.5)


def test_a_line_that_ran_away_while_nothing_agreed_is_compared_where_it_is_now():
    """Ten beats at 4 % beside the tape's period are nearly half a beat: no more one beat, though once they were."""
    line = laid()
    for hop in range(1011, 1640):
        line.pass_to(hop * HOP, hop)
        line.place(0.9)
    sight = Sight(1639, 1000.0 + 62.4 * 10, 62.4, 0.9)
    assert line.as_sight().beat == pytest.approx(1600.0)
    assert not sight.agrees(line.as_sight())
