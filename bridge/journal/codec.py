"""A journal's lines: bytes of a fact, and a fact of bytes.

A journal is UTF-8 text, one JSON object a line (RFC 8259, so neither NaN nor infinity), each line ended by a newline.
The first line is the schema, every other one a fact in the form of `bridge.records`.
"""

from __future__ import annotations

import json
from math import isfinite
from typing import Any

from bridge.events import Fact
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


def read_line(line: bytes) -> Fact | int:
    """Return the fact of a line, or the version that a schema line tells.

    Args:
        line: One line of a journal, with or without its newline.

    Raises:
        ValueError: The line is torn or garbage, or holds no fact that the bridge knows.
    """
    try:
        record = json.loads(line.decode(), parse_float=_finite, parse_constant=_finite)
        if not isinstance(record, dict):
            raise ValueError("it is no JSON object")  # noqa: TRY004 -- the line is wrong, not the caller
        if "journal" in record:
            return _schema(record)
        return from_record(record)
    except (OverflowError, RecursionError) as error:  # an integer beyond any float; brackets nested past Python's depth
        raise ValueError(f"it holds what no journal holds: {error}") from error


def _line(record: dict[str, Any]) -> bytes:
    text = json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.encode(errors="backslashreplace") + b"\n"  # half a surrogate pair becomes its own JSON escape


def _finite(text: str) -> float:
    value = float(text)
    if not isfinite(value):
        raise ValueError(f"{text} is no finite number")
    return value


def _schema(record: dict[str, Any]) -> int:
    version = record.get("schema")
    if record.keys() != {"journal", "schema"} or record["journal"] != "tape-bridge" or type(version) is not int:
        raise ValueError("it is no schema line of this bridge")
    return version
