"""The promise of loopers and cues in a real set: a listener that is killed changes nothing of what they do."""

import os
from pathlib import Path

import pytest

from tests.toy_tape import FIRST_KILL_S, LAST_KILL_S, faults, sets

INSTANTS = 6
"""``python -m tests.bench.foot_kills`` tries a hundred."""


@pytest.mark.skipif(os.name != "posix", reason="sends signals that only POSIX systems have")
def test_a_listener_killed_around_cues_and_a_close_makes_each_happen_once(tmp_path: Path) -> None:
    """Each cue goes out once, and one recording is opened, and closed on its bar."""
    step_s = (LAST_KILL_S - FIRST_KILL_S) / (INSTANTS - 1)
    results = sets(tmp_path, [FIRST_KILL_S + number * step_s for number in range(INSTANTS)])
    assert len(results) == INSTANTS
    assert [fault for result in results for fault in faults(result)] == []
