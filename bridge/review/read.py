"""A take's folder, read: its facts, what could not be read, and where its sound is."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bridge.errors import TakeError
from bridge.events import Fact, TakeEnded
from bridge.journal.codec import SCHEMA
from bridge.journal.recover import LineFault, recover
from bridge.journal.take import JOURNAL
from bridge.review.facts import take_began


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """What is in a take's folder.

    Attributes:
        folder: The folder.
        schema: Version of the journal's form; None where the journal does not tell.
        facts: Every fact that can be read, in the journal's order.
        faults: Lines that cannot be read.
        sound: Segments of sound, in order of time.
        taps: Segments of what dry taps carried, in order of time.
        began: Host time at which the take began, in seconds.
    """

    folder: Path
    schema: int | None
    facts: tuple[Fact, ...]
    faults: tuple[LineFault, ...]
    sound: tuple[Path, ...]
    taps: tuple[Path, ...]
    began: float

    @property
    def ended(self) -> bool:
        """Whether the journal says that the take ended; if not, it still runs or was cut."""
        return any(isinstance(fact, TakeEnded) for fact in self.facts)

    def seconds(self, at: float) -> float:
        """Return a host time as seconds since the take began."""
        return at - self.began


def read_take(folder: Path) -> Take:
    """Read a take, whether it ended, still runs, or was cut.

    Args:
        folder: The take's folder, such as ``recordings/20261125T190312Z-ferry-night``.

    Raises:
        TakeError: The folder is absent, is no take, cannot be read, or was written by a newer Tape Bridge.
    """
    try:
        data = (folder / JOURNAL).read_bytes()
        sound, taps = (tuple(sorted(folder.glob(f"{what}-*.flac"))) for what in ("sound", "tap"))
    except (FileNotFoundError, NotADirectoryError) as error:
        raise TakeError(f"{folder}: {_no_take(folder)}") from error
    except OSError as error:
        said = error.strerror or str(error)
        raise TakeError(f"{folder / JOURNAL}: cannot be read: {said}. Allow reading it, or copy the take.") from error
    found = recover(data)
    if found.schema is not None and found.schema > SCHEMA:
        raise TakeError(f"{folder / JOURNAL} {found.faults[0]}.")
    return Take(
        folder=folder,
        schema=found.schema,
        facts=found.facts,
        faults=found.faults,
        sound=sound,
        taps=taps,
        began=take_began(found.facts),
    )


def _no_take(folder: Path) -> str:
    if not folder.exists():
        return "there is no such folder. Name a take's folder; takes land in recordings/ unless the rig says otherwise."
    if not folder.is_dir():
        return "is a file. Name the folder of the take that it is in."
    inside = sorted(path.parent.name for path in folder.glob(f"*/{JOURNAL}"))
    if inside:
        return f"is no take, but holds {len(inside)}. Name one of them, the latest for instance: {folder / inside[-1]}"
    return f"is no take: it has no {JOURNAL}. Name a take's folder, such as recordings/20261125T190312Z-ferry-night"
