"""A journal's lines: bytes of a fact, and a fact of bytes.

A journal is UTF-8 text, one JSON object a line (RFC 8259, so neither NaN nor infinity), each line ended by a newline.
The first line is the schema, every other one a fact in the form of `bridge.records`.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

import msgspec

from bridge.events import Fact
from bridge.journal.migrate import migrated
from bridge.records import FACTS, as_record, from_record

SCHEMA = 1
"""Version of the journal's form; grows when an older reader would misread a newer journal."""


def schema_line() -> bytes:
    """Return the first line of a journal, newline and all."""
    return _line({"journal": "tape-bridge", "schema": SCHEMA})


def fact_line(fact: Fact) -> bytes:
    """Return the journal's line for a fact, newline and all.

    Raises:
        ValueError: A field is NaN or infinite.
    """
    return _line(as_record(fact))


def read_line(line: bytes, schema: int = SCHEMA) -> Fact | int:
    """Return the fact of a line, or the version that a schema line tells.

    Args:
        line: One line of a journal, with or without its newline.
        schema: Version of the journal that the line is from; an older one is brought up to today's.

    Raises:
        ValueError: The line is torn or garbage, or holds no fact that the bridge knows.
    """
    if schema == SCHEMA and (fact := _read_fast(line)) is not None:
        return fact
    try:
        record = _record(line.decode().strip())
        if "journal" in record:
            return _schema(record)
        return from_record(record if schema == SCHEMA else migrated(record, schema, SCHEMA))
    except (OverflowError, RecursionError) as error:  # an integer beyond any float; brackets nested past Python's depth
        raise ValueError(f"it holds what no journal holds: {error}") from error


_BEGIN = b'{"fact":"'


class _Reader(NamedTuple):
    """Reads the lines of one class of facts.

    Attributes:
        read: Makes a fact of a line; passes over fields that it does not know.
        colons: Colons in a line that has every field once and no other.
        optional: How the fields that may be absent begin in a line.
    """

    read: Callable[[bytes], Fact]
    colons: int
    optional: tuple[bytes, ...]


@cache
def _readers() -> dict[bytes, _Reader]:
    return {name.encode(): _reader(kind) for name, kind in FACTS.items()}


def _reader(kind: type[Fact]) -> _Reader:
    fields = dataclasses.fields(kind)
    optional = tuple(f'"{f.name}":'.encode() for f in fields if f.default is not dataclasses.MISSING)
    return _Reader(msgspec.json.Decoder(kind).decode, len(fields) + 1, optional)


def _read_fast(line: bytes) -> Fact | None:
    """Return the fact of a line as `fact_line` mostly writes it: every field once, no colon in a text.

    None for any other line, right or wrong: the slower way judges it. A long journal has a million lines.
    """
    if not line.startswith(_BEGIN):
        return None
    reader = _readers().get(line[len(_BEGIN) : line.find(b'"', len(_BEGIN))])
    if reader is None or not line.count(b'":') == line.count(b":") == reader.colons:
        return None
    if not all(key in line for key in reader.optional):
        return None
    try:
        return reader.read(line)
    except (msgspec.MsgspecError, ValueError):
        return None


def _record(text: str) -> dict[str, Any]:
    try:
        record, end = _SCAN(text, 0)
    except StopIteration as error:
        raise ValueError("it is no JSON") from error
    if end != len(text) or not isinstance(record, dict):
        raise ValueError("it is no JSON object")
    for value in record.values():
        if type(value) is float and value - value != 0.0:
            raise ValueError(f"{value} is no finite number")
    return record


def _line(record: dict[str, Any]) -> bytes:
    text = json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.encode(errors="backslashreplace") + b"\n"  # half a surrogate pair becomes its own JSON escape


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no finite number")


_SCAN = json.JSONDecoder(parse_constant=_no_number).scan_once  # type: ignore[attr-defined]
"""Made once: `json.loads` with an option makes a scanner for each call, and a long journal has a million lines."""


def _schema(record: dict[str, Any]) -> int:
    version = record.get("schema")
    if record.keys() != {"journal", "schema"} or record["journal"] != "tape-bridge" or type(version) is not int:
        raise ValueError("it is no schema line of this bridge")
    return version
