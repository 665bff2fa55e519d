"""Facts of what went out are valid as soon as they exist."""

from __future__ import annotations

import dataclasses
from math import inf, nan

import pytest

from bridge.events_sent import DelayTimeTold, TapsDropped, TapsSent

SENT = TapsSent(at=1.0, pedal="short echo", tempo=84.0, count=4)
DROPPED = TapsDropped(at=1.0, pedal="short echo", sent=2, count=2)
TOLD = DelayTimeTold(at=1.0, pedal="long echo", delay_ms=714.3, why="begin")


@pytest.mark.parametrize(
    ("fact", "field", "value"),
    [
        (SENT, "at", nan),
        (SENT, "tempo", 19.0),
        (SENT, "tempo", nan),
        (SENT, "count", 0),
        (DROPPED, "at", inf),
        (DROPPED, "sent", -1),
        (DROPPED, "count", 0),
        (TOLD, "at", nan),
        (TOLD, "delay_ms", 0.0),
        (TOLD, "delay_ms", nan),
    ],
)
def test_an_illegal_fact_cannot_be_built(fact, field, value):
    with pytest.raises(ValueError, match=r"must be .*got "):
        dataclasses.replace(fact, **{field: value})
