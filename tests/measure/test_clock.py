"""A clock that came in: what is late, uneven, lost, or strange, against what was put into it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.measure.clock import clock_heard

INTERVAL = 2.5 / 120
SENT = 100.0 + np.cumsum(np.concatenate([np.full(100, INTERVAL), np.full(100, 1.3 * INTERVAL)]))


def test_delay_and_jitter_are_what_was_put_in() -> None:
    jitter_s = np.random.default_rng(1).normal(0, 0.0005, len(SENT))
    told = clock_heard(SENT, np.sort(SENT + 0.004 + jitter_s))
    assert (told.sent, told.heard, told.strange) == (200, 200, 0)
    assert told.delay_ms == pytest.approx(4.0, abs=0.1)
    assert told.jitter_ms == pytest.approx(1000 * np.std(jitter_s), rel=0.01)
    assert told.least_ms == pytest.approx(4.0 + 1000 * jitter_s.min())
    assert told.most_ms == pytest.approx(4.0 + 1000 * jitter_s.max())
    assert told.p99_ms == pytest.approx(np.percentile(np.abs(jitter_s - np.median(jitter_s)), 99) * 1000, rel=0.02)
    assert told.uneven_ms == pytest.approx(1000 * np.abs(np.diff(jitter_s)).max(), rel=0.01)


@given(
    delay_s=st.floats(0.0, 0.15),
    lost=st.sets(st.integers(0, len(SENT) - 1), max_size=40),
)
def test_lost_ticks_are_counted_and_move_no_other(delay_s: float, lost: set[int]) -> None:
    """Even the first ones, and where the delay is longer than the time between two."""
    kept = np.delete(SENT, sorted(lost))
    told = clock_heard(SENT, kept + delay_s)
    assert (told.heard, told.strange) == (len(SENT) - len(lost), 0)
    assert told.delay_ms == pytest.approx(1000 * delay_s, abs=1e-3)
    assert told.jitter_ms == pytest.approx(0.0, abs=1e-3)


def test_ticks_that_came_twice_are_strange() -> None:
    """As from a box that passes on what it is sent, while it sends its own."""
    told = clock_heard(SENT, np.sort(np.concatenate([SENT + 0.003, SENT + 0.0065])))
    assert (told.heard, told.strange) == (200, 200)


def test_nothing_heard_has_no_numbers() -> None:
    told = clock_heard(SENT, [])
    assert (told.sent, told.heard, told.strange) == (200, 0, 0)
    assert told.delay_ms is told.jitter_ms is told.p99_ms is told.uneven_ms is None
    early = clock_heard(SENT, [1.0])
    assert (early.heard, early.strange) == (0, 1)


def test_too_short_a_clock_is_refused() -> None:
    for sent in (SENT[:23], SENT[::-1], np.full(30, 1.0)):
        with pytest.raises(ValueError, match="24 ticks"):
            clock_heard(sent, SENT)
