"""A fact survives its line; what is no line is refused."""

from __future__ import annotations

import contextlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import Fact, MarkPlaced, SoundNotKept
from bridge.journal.codec import SCHEMA, fact_line, read_line, schema_line
from bridge.records import as_record
from tests.journal.given import any_fact


@given(any_fact())
def test_every_fact_survives_its_line_exactly(fact: Fact) -> None:
    line = fact_line(fact)
    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert read_line(line) == fact


def test_the_first_line_is_the_schema_as_promised() -> None:
    assert json.loads(schema_line()) == {"journal": "tape-bridge", "schema": 1}
    assert read_line(schema_line()) == SCHEMA


@pytest.mark.parametrize("text", ["líghthouse ☂ 灯台 🗼", "two\nlines\r and  ", "\0\x1b[2J", '"}{\\', "\udc80 half"])
def test_any_text_stays_one_line_of_utf_8(text: str) -> None:
    line = fact_line(MarkPlaced(at=1.0, wall=2.0, text=text))
    assert line.count(b"\n") == 1
    assert read_line(line.decode("utf-8").encode()) == MarkPlaced(at=1.0, wall=2.0, text=text)


def test_text_is_readable_in_the_file_not_escaped() -> None:
    assert "灯台".encode() in fact_line(SoundNotKept(at=0.0, why="灯台"))


@pytest.mark.parametrize("wall", [float("nan"), float("inf")])
def test_nan_and_infinity_are_never_written(wall: float) -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        fact_line(MarkPlaced(at=0.0, wall=wall, text=""))


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"no JSON",
        b"[1, 2]",
        b"null",
        b"7",
        b"\xff\xfe",
        b"[" * 100_000,
        b'{"fact":"Nothing","at":1.0}',
        b'{"fact":["MarkPlaced"],"at":1.0}',
        b'{"fact":"SoundNotKept","at":NaN,"why":""}',
        b'{"fact":"SoundNotKept","at":Infinity,"why":""}',
        b'{"fact":"SoundNotKept","at":1e999,"why":""}',
        b'{"fact":"MarkPlaced","at":1.0,"wall":1e999,"text":""}',
        b'{"fact":"SoundNotKept","at":1' + b"0" * 400 + b',"why":""}',
        b'{"fact":"SoundNotKept","at":1' + b"0" * 9000 + b',"why":""}',
        b'{"fact":"SoundNotKept","at":true,"why":""}',
        b'{"fact":"SoundNotKept","at":1.0}',
        b'{"fact":"TicksDropped","at":1.0,"port":"Pedals A","count":0}',
        b'{"journal":"tape-bridge"}',
        b'{"journal":"tape-bridge","schema":"1"}',
        b'{"journal":"somebody else\'s","schema":1}',
    ],
)
def test_what_is_no_line_of_a_journal_is_a_value_error(line: bytes) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 -- what it says differs by line; that it is one is the promise
        read_line(line)


@given(st.binary(max_size=200))
def test_no_bytes_at_all_raise_anything_else(data: bytes) -> None:
    with contextlib.suppress(ValueError):
        assert isinstance(read_line(data), Fact | int)


@pytest.mark.parametrize(
    "line",
    [
        b'{"fact":"MarkPlaced","at":1.0,"wall":2.0,"text":"","more" :1}',
        b'{"fact":"MarkPlaced","at":1.0,"wall":2.0,"texts":""}',
        b'{"fact":"MarkPlaced","at":1.0,"wall":2.0,"text":1.0}',
        b'{"fact":"MarkPlaced","at":1.0,"at":1.0,"wall":2.0}',
        b'{"fact":"ListenerLost","at":1.0,"pid":2.0,"why":""}',
        b'{"fact":"PedalTold","at":1.0,"pedal":"p","deck":"d","tempo":84.0,"ratio":1.0,"why":"drift","beat":1.0}',
    ],
)
def test_a_line_that_looks_like_a_fact_but_has_other_fields_or_types_is_refused(line: bytes) -> None:
    """However quickly such lines are read: no field is passed over, and none is taken for another type."""
    with pytest.raises(ValueError):  # noqa: PT011 -- as above
        read_line(line)


@given(any_fact())
def test_a_line_reads_the_same_however_it_is_spaced(fact: Fact) -> None:
    """Lines as the journal writes them are read in a faster way; others as plain JSON. Both say the same."""
    spaced = json.dumps(as_record(fact)).encode()
    assert read_line(spaced) == read_line(fact_line(fact)) == fact
    assert list(map(type, as_record(read_line(fact_line(fact))).values())) == list(map(type, as_record(fact).values()))
