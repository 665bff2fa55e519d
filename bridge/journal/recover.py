"""What can be read of a journal, however it ended: cut, torn, or spoiled in the middle.

Nothing is written here, and the original stays as it is.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO

from bridge.events import Fact
from bridge.journal.codec import SCHEMA, read_line

SHOWN = 60
"""How many bytes of an unreadable line a fault quotes."""


@dataclass(frozen=True, slots=True)
class LineFault:
    """A line of a journal that cannot be read.

    Attributes:
        line: Line number from 1.
        found: What was found there.
    """

    line: int
    found: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.found}"


@dataclass(frozen=True, slots=True)
class Recovered:
    """What a journal says.

    Attributes:
        schema: Version that its first readable schema line tells; None where there is none.
        facts: Every fact of a sound line, in the journal's order; none where the schema is newer than this bridge.
        faults: What could not be read, in the order of the lines.
    """

    schema: int | None
    facts: tuple[Fact, ...]
    faults: tuple[LineFault, ...]


def recover(data: bytes) -> Recovered:
    """Return what is sound in a journal, and what is not.

    A last line without its newline counts as sound when all its other bytes are there: a torn JSON object never reads
    as a whole one. Empty lines, and zero bytes around a line (a file system's filling after a power cut), are passed
    over.

    Args:
        data: A journal's bytes, of any length.
    """
    schema: int | None = None
    facts: list[Fact] = []
    faults: list[LineFault] = []
    with _no_collection():
        for number, raw in enumerate(BytesIO(data), 1):  # splitting would hold the whole journal twice
            line = raw.strip(b"\0 \r\n\t")
            if not line:
                continue
            try:
                found = read_line(line, SCHEMA if schema is None or schema > SCHEMA else schema)
            except ValueError as error:
                faults.append(LineFault(number, _said(line, error, torn=not raw.endswith(b"\n"))))
                continue
            if not isinstance(found, int):
                facts.append(found)
            elif schema is None:
                schema = found
    if schema is None:
        faults.insert(0, LineFault(1, "the journal's schema line is missing"))
    elif schema > SCHEMA:
        said = (
            f"schema {schema} is newer than this bridge reads ({SCHEMA}); install the newer Tape Bridge that wrote it"
        )
        return Recovered(schema, (), (LineFault(1, said),))
    return Recovered(schema, tuple(facts), tuple(faults))


@contextmanager
def _no_collection() -> Iterator[None]:
    """Let Python look for no cycles meanwhile: facts hold none, and a million of them take a third longer with it."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _said(line: bytes, error: ValueError, torn: bool) -> str:
    quoted = ascii(line[:SHOWN].decode(errors="replace"))[1:-1]
    more = f" and {len(line) - SHOWN} bytes more" if len(line) > SHOWN else ""
    why = "torn, its end was never written" if torn else f"unreadable, {' '.join(str(error).split())[:200]}"
    return f"{why}: {quoted}{more}"
