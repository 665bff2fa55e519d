"""What is sound in a journal is read, whatever happened to the rest."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import Fact, MarkPlaced
from bridge.journal import migrate
from bridge.journal.codec import fact_line, schema_line
from bridge.journal.recover import recover
from bridge.records import as_record
from tests.journal.given import any_fact


def marks(count: int) -> list[Fact]:
    return [MarkPlaced(at=float(n), wall=0.0, text=f"kettle {n}") for n in range(count)]


def written(facts: list[Fact]) -> bytes:
    return schema_line() + b"".join(map(fact_line, facts))


@given(facts=st.lists(any_fact(), max_size=6), data=st.data())
def test_a_journal_cut_at_any_byte_yields_exactly_the_whole_lines_before_the_cut(
    facts: list[Fact], data: st.DataObject
) -> None:
    """A line is whole when all its bytes but the newline are there."""
    whole = written(facts)
    cut = data.draw(st.integers(0, len(whole)))
    ends = [i for i in range(len(whole)) if whole[i : i + 1] == b"\n"]
    lines = sum(end <= cut for end in ends)
    left = recover(whole[:cut])
    assert list(left.facts) == facts[: max(0, lines - 1)]
    assert left.schema == (1 if lines else None)
    torn = cut > 0 and cut not in ends and cut - 1 not in ends
    assert [fault.line for fault in left.faults if "torn" in fault.found] == ([lines + 1] if torn else [])


def test_cut_at_every_single_byte() -> None:
    """The law above without luck, for one journal with signs of several bytes."""
    facts: list[Fact] = [MarkPlaced(at=1.5, wall=0.0, text="灯台 ☂"), MarkPlaced(at=2.5, wall=0.0, text="kettle")]
    whole = written(facts)
    first, second = len(schema_line()), len(schema_line() + fact_line(facts[0]))
    for cut in range(len(whole) + 1):
        expected = (cut >= second - 1 and cut > first) + (cut >= len(whole) - 1)
        assert list(recover(whole[:cut]).facts) == facts[:expected], cut


@given(garbage=st.binary(min_size=1, max_size=300).filter(lambda data: data.strip(b"\0 \r\t\n") != b""))
def test_garbage_in_the_middle_costs_only_itself_and_is_named(garbage: bytes) -> None:
    facts = marks(4)
    data = schema_line() + fact_line(facts[0]) + fact_line(facts[1]) + garbage + b"\n"
    data += fact_line(facts[2]) + fact_line(facts[3])
    found = recover(data)
    assert list(found.facts) == facts
    assert found.faults
    assert all(4 <= fault.line <= 4 + garbage.count(b"\n") for fault in found.faults)


def test_a_torn_line_that_a_restarted_listener_ended_costs_only_itself() -> None:
    facts = marks(3)
    torn = fact_line(facts[1])[:-9]
    found = recover(schema_line() + fact_line(facts[0]) + torn + b"\n" + fact_line(facts[2]))
    assert found.facts == (facts[0], facts[2])
    assert [fault.line for fault in found.faults] == [3]
    assert '"text":"ke' in str(found.faults[0])


def test_zero_bytes_after_a_power_cut_are_passed_over() -> None:
    facts = marks(2)
    found = recover(schema_line() + fact_line(facts[0]) + b"\0" * 5000 + b"\n\0\0" + fact_line(facts[1]) + b"\0" * 99)
    assert list(found.facts) == facts
    assert found.faults == ()


def test_an_empty_journal_has_no_facts_and_says_that_its_schema_is_missing() -> None:
    found = recover(b"")
    assert (found.schema, found.facts) == (None, ())
    assert [str(fault) for fault in found.faults] == ["line 1: the journal's schema line is missing"]


def test_facts_under_a_spoiled_first_line_are_read_all_the_same() -> None:
    found = recover(b"\xff\xff" + written(marks(2))[2:])
    assert list(found.facts) == marks(2)
    assert [fault.line for fault in found.faults] == [1, 1]


def test_a_journal_of_a_newer_bridge_is_not_guessed_at() -> None:
    found = recover(b'{"journal":"tape-bridge","schema":99}\n' + fact_line(marks(1)[0]))
    assert found.facts == ()
    assert "schema 99 is newer" in str(found.faults[0])


def test_a_huge_unreadable_line_is_quoted_only_in_part() -> None:
    found = recover(schema_line() + b"<script>" * 10_000 + b"\n")
    assert len(str(found.faults[0])) < 400
    assert "79940 bytes more" in str(found.faults[0])


def test_a_journal_without_its_first_line_is_read_as_one_of_today() -> None:
    found = recover(written(marks(3))[len(schema_line()) :])
    assert list(found.facts) == marks(3)
    assert [str(fault) for fault in found.faults] == ["line 1: the journal's schema line is missing"]


@pytest.mark.parametrize("path", sorted(Path(__file__).parent.glob("schema_*.jsonl")), ids=lambda path: path.stem)
def test_a_journal_of_every_form_that_ever_was_is_read_for_ever(path: Path) -> None:
    """One line of each kind of fact that the form had, as a bridge of its time wrote it. Never change these files."""
    lines = path.read_bytes().splitlines()
    found = recover(path.read_bytes())
    assert found.faults == ()
    assert found.schema == int(path.stem.removeprefix("schema_"))
    assert len(found.facts) == len(lines) - 1 > 20


def test_the_first_form_still_says_field_by_field_what_was_written() -> None:
    path = Path(__file__).with_name("schema_1.jsonl")
    records = [json.loads(line) for line in path.read_bytes().splitlines()[1:]]
    read = [json.loads(json.dumps(as_record(fact))) for fact in recover(path.read_bytes()).facts]
    assert [{key: now[key] for key in then} for then, now in zip(records, read, strict=True)] == records


def test_facts_of_an_older_form_are_brought_up_to_today_as_they_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """A made-up form 0, in which a mark was called a note."""

    def renamed(record: migrate.Record) -> migrate.Record:
        return record | {"fact": "MarkPlaced"} if record["fact"] == "NotePlaced" else record

    old = b'{"journal":"tape-bridge","schema":0}\n'
    lines = b"".join(map(fact_line, marks(2))).replace(b"MarkPlaced", b"NotePlaced")
    assert "no way is known from form 0" in str(recover(old + lines).faults[0])
    monkeypatch.setitem(migrate.STEPS, 0, renamed)
    found = recover(old + lines)
    assert (found.schema, list(found.facts), found.faults) == (0, marks(2), ())
