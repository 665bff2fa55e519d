"""Any fact at all, for laws."""

from __future__ import annotations

from typing import get_args, get_type_hints

from hypothesis import strategies as st

from bridge import events, events_hand
from bridge.events import Fact
from bridge.records import FACTS

SECONDS = st.floats(-1e9, 1e9)
TEXT = st.text(max_size=40)

_RANGES = {
    "tempo": st.floats(20, 400),
    "tempo_before": st.none() | st.floats(20, 400),
    "tempo_after": st.none() | st.floats(20, 400),
    "ratio": st.floats(1 / 64, 64),
    "confidence": st.floats(0, 1),
    "index": st.integers(0, 10**9),
    "count": st.integers(1, 10**9),
    "level_db": st.floats(-120, 40),
    "level_before_db": st.floats(-120, 40),
    "level_after_db": st.floats(-120, 40),
    "was": st.sampled_from(get_args(events.FollowerState)),
    "now": st.sampled_from(get_args(events.FollowerState)),
    "change": st.sampled_from(get_args(events.DeckChangeKind)),
    "asked": st.floats(1 / 64, 64),
    "sent": st.integers(1, 10**9),
    "slept_s": st.floats(0, 1e9),
    "octaves": st.integers(-16, 16),
    "delay_ms": st.floats(0.1, 600_000),
    "loop": st.sampled_from(get_args(events_hand.LoopState)),
    "beats": st.none() | SECONDS,
}
_TYPES = {float: SECONDS, int: st.integers(0, 10**9), str: TEXT, tuple[str, ...]: st.lists(TEXT, max_size=3).map(tuple)}


def any_fact() -> st.SearchStrategy[Fact]:
    """Facts of every kind, with any field that their class allows."""
    return st.one_of([_built(kind) for kind in FACTS.values()])


def _built(kind: type[Fact]) -> st.SearchStrategy[Fact]:
    hints = get_type_hints(kind)
    return st.builds(kind, **{name: _RANGES[name] if name in _RANGES else _TYPES[hint] for name, hint in hints.items()})
