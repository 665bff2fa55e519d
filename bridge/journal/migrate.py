"""Old journals: the records of each earlier form, brought up to today's one step at a time.

A new kind of fact, or a new field with a default, needs no step: an old journal simply has none of it. When a field
changes its meaning, or goes, raise `bridge.journal.codec.SCHEMA`, add the step from the form before, and keep the
fixture of that form in the tests.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Record = dict[str, Any]

STEPS: dict[int, Callable[[Record], Record]] = {}
"""By version: what makes a record of that version one of the next. None so far: today's form is the first."""


def migrated(record: Record, schema: int, to: int) -> Record:
    """Return a record of an older journal as one of a newer form.

    Args:
        record: A line of the journal as plain values; not changed.
        schema: Version of its form.
        to: Version wanted, not below it.

    Raises:
        ValueError: There is no way from the one to the other.
    """
    for version in range(schema, to):
        if version not in STEPS:
            raise ValueError(f"no way is known from form {version} of the journal to {version + 1}")
        record = STEPS[version](dict(record))
    return record
