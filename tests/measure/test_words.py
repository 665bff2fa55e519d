"""What was measured, in words that say what to do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bridge.measure.answers import answers
from bridge.measure.clock import clock_heard
from bridge.measure.words import (
    clock_lines,
    latency_line,
    middle,
    of_click,
    trouble_of_click,
    trouble_of_clock,
    trouble_of_note,
)

STEADY = answers([0.0080, 0.0081, 0.0082, 0.0083])
UNSTEADY = answers([0.001, 0.010, 0.020, 0.030])
NOTHING = answers([None] * 10)
SENT = np.arange(100) * 0.02


def test_the_line_for_a_rig_is_the_median_in_ms() -> None:
    assert latency_line(STEADY) == "latency_ms = 8.2  # measured: median of 4, spread 0.2"
    assert latency_line(STEADY, less_ms=10.0).startswith("latency_ms = -1.8 ")
    assert middle(STEADY) == "8.15 ms, spread 0.24 ms (8.00 to 8.30, 4 of 4 heard)"
    assert middle(NOTHING) == "nothing heard in 10 tries"


def test_what_the_device_does_not_tell_of_itself_is_halved() -> None:
    """8.15 ms in all; it tells 4 ms, 3 of them inward, of which a block takes 2: 1 ms and half of 4.15 ms are left."""
    lines = of_click(STEADY, 4.0, 3.0, 2.0, 0.0, turned=False)
    assert lines[-1].startswith("rig      [sound] latency_ms = 3.1 ")
    assert "4.15 ms more" in lines[-2]
    assert of_click(STEADY, 4.0, 3.0, 2.0, 5.0, turned=True) == [
        "turned   it came back upside down: one cable or box inverts",
        "adds     3.15 ms beside 5 ms",
    ]


def test_nothing_is_wrong_with_steady_answers_even_where_sound_was_lost_meanwhile() -> None:
    assert trouble_of_click(STEADY, interrupted=True, level_db=-30.0) == ""
    assert trouble_of_note(STEADY, peak_db=-20.0, quiet_db=-30.0, lost=100) == ""


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        (trouble_of_click(NOTHING, interrupted=False, level_db=-30.0), ["0 of 10 times", "cable", "--level -24"]),
        (trouble_of_click(NOTHING, interrupted=False, level_db=-14.0), ["--level -12"]),
        (trouble_of_click(UNSTEADY, interrupted=False, level_db=-30.0), ["more than 3 ms", "measure again"]),
        (trouble_of_click(UNSTEADY, interrupted=True, level_db=-30.0), ["interrupted", "Close other programs"]),
        (trouble_of_note(NOTHING, peak_db=-70.0, quiet_db=-80.0, lost=0), ["port, channel and note", "-70 dB"]),
        (trouble_of_note(NOTHING, peak_db=-10.0, quiet_db=-10.0, lost=0), ["not quiet (-10 dB", "Stop the decks"]),
        (trouble_of_note(NOTHING, peak_db=-10.0, quiet_db=-10.0, lost=7), ["7 frames of sound went missing"]),
        (trouble_of_note(NOTHING, peak_db=-10.0, quiet_db=-10.0, lost=1), ["1 frame of sound went missing"]),
        (trouble_of_note(UNSTEADY, peak_db=-10.0, quiet_db=-80.0, lost=0), ["begins hard"]),
        (trouble_of_clock(clock_heard(SENT, [])), ["No tick came in", "MIDI cable"]),
        (trouble_of_clock(clock_heard(SENT, SENT[5:] + 0.003)), ["5 of 100 ticks were lost", "another cable"]),
        (trouble_of_clock(replace(clock_heard(SENT, SENT[5:]), dropped=5)), ["too busy to send 5 of 100", "check"]),
        (trouble_of_clock(clock_heard(SENT, SENT + 0.003)), []),
    ],
)
def test_a_trouble_says_what_was_found_and_what_to_do(trouble: str, words: list[str]) -> None:
    assert bool(trouble) == bool(words)
    for word in words:
        assert word in trouble


@pytest.mark.parametrize(("jitter_s", "said"), [(0.0, "Even"), (0.0008, "Usable"), (0.003, "Uneven")])
def test_a_clock_is_judged_by_its_unevenness(jitter_s: float, said: str) -> None:
    told = clock_heard(SENT, SENT + 0.004 + np.random.default_rng(1).normal(0, jitter_s, len(SENT)))
    lines = clock_lines(told)
    assert lines[-1].startswith(said)
    assert lines[0] == "100 ticks sent, 100 heard, 0 lost, 0 besides"


def test_what_comes_besides_is_more_important_than_jitter() -> None:
    told = clock_heard(SENT, np.sort(np.concatenate([SENT + 0.004, SENT + 0.009])))
    assert "Something came in besides" in clock_lines(told)[-1]
    assert clock_lines(clock_heard(SENT, [])) == ["100 ticks sent, none heard."]
