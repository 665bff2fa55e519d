"""Where the page of a line-up is kept: in a folder of its own at first, and with the take that follows it."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from bridge.errors import TakeError
from bridge.journal.take import new_take_folder, write_whole

FOLDER = "lineups"
"""Folder of the line-ups, among the takes."""

PAGE, FACTS = "lineup.html", "lineup.json"
"""Names of the page, and of the same as plain values."""

FRESH_S = 12 * 3600.0
"""A line-up belongs to a take that begins so long after it, in seconds: the same night."""


def keep_lineup(parent: Path, name: str, wall: float, page: str, facts: str) -> Path:
    """Keep a line-up in a folder of its own, such as ``recordings/lineups/20261125T183000Z-ferry-night``.

    Args:
        parent: Folder in which takes land.
        name: Name of the rig's takes.
        wall: Wall time in seconds since 1970 UTC.
        page: The page.
        facts: The same as JSON.

    Returns:
        Path of the page.

    Raises:
        TakeError: It cannot be written.
    """
    folder = new_take_folder(parent / FOLDER, name, wall)
    write_whole(folder / FACTS, facts.encode(errors="replace"))
    write_whole(folder / PAGE, page.encode(errors="replace"))
    return folder / PAGE


def take_lineup_along(parent: Path, take: Path, wall: float) -> Path | None:
    """Put the page of the newest line-up into a take that begins, if it is of the same name and night.

    Nothing is refused: a set must not fail to begin for a page.

    Args:
        parent: Folder in which takes land.
        take: The take's folder, as `bridge.journal.take.new_take_folder` named it.
        wall: Wall time in seconds since 1970 UTC.

    Returns:
        Path of the page in the take's folder; None if there was none to take along.
    """
    name = take.name.partition("-")[2]
    with suppress(OSError, TakeError):
        pages = [page for page in (parent / FOLDER).glob(f"*/{PAGE}") if _name(page.parent) in (name, name[:-2])]
        newest = max(pages, key=lambda page: page.stat().st_mtime, default=None)
        if newest is not None and -60 <= wall - newest.stat().st_mtime <= FRESH_S:
            write_whole(take / PAGE, newest.read_bytes())
            return take / PAGE
    return None


def _name(folder: Path) -> str:
    return folder.name.partition("-")[2]
