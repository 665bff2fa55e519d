"""Facts are valid as soon as they exist."""

from __future__ import annotations

import dataclasses
import math

import pytest

from bridge.events import BeatPlaced, DeckChanged, FollowerChanged, LevelHeard, PedalTold, TicksDropped

BEAT = BeatPlaced(at=1.0, deck="north", index=0, tempo=84.0, confidence=0.5, known=1.1)
CHANGE = DeckChanged(
    at=1.0,
    deck="north",
    change="another tape",
    tempo_before=84.0,
    tempo_after=None,
    level_before_db=-20.0,
    level_after_db=-25.0,
    known=3.0,
)
TOLD = PedalTold(at=1.0, pedal="long echo", deck="north", tempo=84.0, ratio=1.0, why="begin")


@pytest.mark.parametrize(
    ("fact", "field", "value"),
    [
        (BEAT, "at", math.nan),
        (BEAT, "at", math.inf),
        (BEAT, "known", math.nan),
        (BEAT, "index", -1),
        (BEAT, "tempo", 19.0),
        (BEAT, "tempo", math.nan),
        (BEAT, "confidence", 1.01),
        (BEAT, "confidence", math.nan),
        (CHANGE, "change", "rewound"),
        (CHANGE, "tempo_before", 0.0),
        (CHANGE, "tempo_after", math.nan),
        (CHANGE, "level_before_db", -130.0),
        (CHANGE, "level_after_db", math.nan),
        (TOLD, "tempo", 401.0),
        (TOLD, "ratio", 0.0),
        (TOLD, "ratio", math.nan),
        (LevelHeard(at=0.0, deck="north", level_db=-3.0), "level_db", math.nan),
        (TicksDropped(at=0.0, port="Pedals A", count=1), "count", 0),
        (FollowerChanged(at=0.0, deck="north", was="idle", now="listening"), "now", "lost"),
    ],
)
def test_an_illegal_fact_cannot_be_built(fact, field, value):
    with pytest.raises(ValueError, match=r"must be .*got "):
        dataclasses.replace(fact, **{field: value})


def test_a_fact_cannot_be_changed():
    with pytest.raises(dataclasses.FrozenInstanceError):
        BEAT.tempo = 90.0


@pytest.mark.parametrize(("beats", "beat_at"), [(None, None), (12.0, 1.0), (12.25, 0.75), (-0.25, 0.25)])
def test_a_pedals_newest_beat_follows_from_its_count(beats, beat_at):
    """60 bpm: a quarter of a beat is 0.25 s."""
    assert dataclasses.replace(TOLD, tempo=60.0, beats=beats).beat_at == beat_at
