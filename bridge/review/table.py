"""A table of the page: heads, rows of texts, and which of them are numbers or moments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.review.words import clean

LONG_TABLE = 40
"""A table with more rows is folded away."""

LONG_TEXT = 300
"""A text with more characters is folded away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of the page.

    Attributes:
        title: What it is about; also its heading.
        heads: Column heads.
        rows: Cells, one string for each head.
        numbers: Which columns are set as numbers, counted from 0.
        empty: What is said in its place when there is no row.
        folded: Whether it is folded away until somebody opens it.
        moments: For each row the moment in seconds that its first time tells of, None for none; empty for a table
            without moments.
        note: What must be known to read it; empty for nothing.
    """

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int]
    empty: str
    folded: bool = False
    moments: tuple[float | None, ...] = ()
    note: str = ""


def table(
    title: str,
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    numbers: str,
    empty: str,
    *,
    moments: Sequence[float | None] = (),
    note: str = "",
    folded: bool = False,
) -> Table:
    """Return a table; one with many rows is folded.

    Args:
        title: What it is about.
        heads: Column heads.
        rows: Cells, one for each head.
        numbers: Digits of the columns that are set as numbers.
        empty: What is said where there is no row.
        moments: For each row its moment in seconds; shown as a way to it where the row's first time stands.
        note: What must be known to read it.
        folded: Whether it is folded away in any case.
    """
    return Table(
        title=title,
        heads=tuple(heads),
        rows=tuple(tuple(clean(cell) for cell in row) for row in rows),
        numbers=frozenset(map(int, numbers)),
        empty=empty,
        folded=folded or len(rows) > LONG_TABLE,
        moments=tuple(moments),
        note=note,
    )
