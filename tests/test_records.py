"""Facts as plain values and back."""

from __future__ import annotations

import dataclasses
import json
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge import events, events_foot, events_hand, rig_foot
from bridge.records import FACTS, as_record, from_record

_NUMBER = st.floats(allow_nan=False, allow_infinity=False)
_BY_TYPE = {
    "float": st.floats(21, 39),  # inside every range that a fact checks
    "float | None": st.none() | st.floats(21, 39),
    "int": st.integers(1, 10**6),
    "bool": st.booleans(),
    "str": st.text(),
    "tuple[str, ...]": st.lists(st.text(), max_size=3).map(tuple),
}
_BY_NAME = {
    "at": _NUMBER,
    "known": _NUMBER,
    "wall": _NUMBER,
    "confidence": st.floats(0, 1),
    "was": st.sampled_from(get_args(events.FollowerState)),
    "now": st.sampled_from(get_args(events.FollowerState)),
    "state": st.sampled_from(get_args(events.FollowerState)),
    "how": st.sampled_from(get_args(events_foot.PressKind)),
    "apart": st.floats(-0.5, 0.5),
    "percent": st.floats(-20, 20),
    "factor": st.sampled_from([0.5, 2.0]),
    "change": st.sampled_from(get_args(events.DeckChangeKind)),
    "loop": st.sampled_from(get_args(events_hand.LoopState)),
}
_OF_LOOPERS = dict.fromkeys(("was", "now"), st.sampled_from(get_args(rig_foot.LooperState)))


@st.composite
def facts(draw):
    """Any fact of any kind."""
    kind = FACTS[draw(st.sampled_from(sorted(FACTS)))]
    by_name = _BY_NAME | (_OF_LOOPERS if kind is events_foot.LooperChanged else {})
    fields = {
        f.name: draw(by_name[f.name] if f.name in by_name else _BY_TYPE[str(f.type)]) for f in dataclasses.fields(kind)
    }
    return kind(**fields)


@given(facts())
def test_every_fact_survives_the_way_through_json(fact):
    assert from_record(json.loads(json.dumps(as_record(fact), allow_nan=False))) == fact


def test_a_field_with_a_default_may_be_absent_from_a_record():
    told = {"fact": "PedalTold", "at": 1.0, "pedal": "long echo", "deck": "north"}
    fact = from_record(told | {"tempo": 84.0, "ratio": 1.0, "why": "begin"})
    assert isinstance(fact, events.PedalTold)
    assert fact.beats is None


def test_every_fact_of_the_vocabulary_is_known():
    """Every class of ours that derives from `Fact`, wherever it stands."""
    written = {kind.__name__ for kind in events.Fact.__subclasses__() if kind.__module__.startswith("bridge.")}
    assert set(FACTS) == written
    assert len(FACTS) > 10


MARK = {"fact": "MarkPlaced", "at": 1.0, "wall": 2.0, "text": "the ferry"}


@pytest.mark.parametrize(
    ("record", "complaint"),
    [
        ({}, "no fact is called None"),
        ({"fact": "Fact", "at": 1.0}, "no fact is called 'Fact'"),
        ({"fact": ["MarkPlaced"]}, "no fact is called"),
        (MARK | {"mood": "calm"}, "MarkPlaced needs the fields at, wall, text"),
        ({key: value for key, value in MARK.items() if key != "text"}, "got at, wall"),
        (MARK | {"at": "soon"}, "MarkPlaced.at must be float, got 'soon'"),
        (MARK | {"at": True}, "MarkPlaced.at must be float, got True"),
        (MARK | {"at": float("nan")}, "at must be a finite time"),
        (MARK | {"text": None}, "MarkPlaced.text must be str, got None"),
        (MARK | {"text": ["a"]}, "MarkPlaced.text must be str"),
    ],
)
def test_a_record_that_is_no_fact_is_refused_and_named(record, complaint):
    with pytest.raises(ValueError, match=complaint.replace("[", r"\[")):
        from_record(record)
