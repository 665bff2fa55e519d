"""A journal's lines: bytes of a fact, and a fact of bytes.

A journal is UTF-8 text, one JSON object a line (RFC 8259, so neither NaN nor infinity), each line ended by a newline.
The first line is the schema, every other one a fact in the form of `bridge.records`.
"""

from __future__ import annotations

import json
from typing import Any

from bridge.events import Fact
from bridge.journal.migrate import migrated
from bridge.records import as_record, from_record

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
    try:
        record = _record(line.decode().strip())
        if "journal" in record:
            return _schema(record)
        return from_record(record if schema == SCHEMA else migrated(record, schema, SCHEMA))
    except (OverflowError, RecursionError) as error:  # an integer beyond any float; brackets nested past Python's depth
        raise ValueError(f"it holds what no journal holds: {error}") from error


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
