"""What a review writes into a take's folder, without losing what a hand has changed there since."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from bridge.journal.take import write_whole

RECORD = ".review.json"
"""Prints of the files that were written last, so that one changed by hand is known."""


def write_files(folder: Path, files: Mapping[str, bytes]) -> dict[str, Path]:
    """Write files into a take's folder; each is there whole or as it was before.

    A file that was changed since it was written, or whose place a foreign file has, is left alone, and the new one goes
    beside it: ``chapters.new.txt``.

    Args:
        folder: The take's folder.
        files: Name and content of each.

    Returns:
        Where each file landed, by its name.

    Raises:
        TakeError: A file cannot be written.
    """
    known = _record(folder)
    landed: dict[str, Path] = {}
    for name, data in files.items():
        path = folder / name
        if _changed(path, known.get(name)):
            path = path.with_suffix(f".new{path.suffix}")
        else:
            known[name] = _print(data)
        write_whole(path, data)
        landed[name] = path
    write_whole(folder / RECORD, json.dumps(known, indent=0, sort_keys=True).encode())
    return landed


OLD = ("review.html", "tempo.csv")
"""Files that earlier bridges wrote without a record."""


def _changed(path: Path, known: str | None) -> bool:
    if not path.exists() or (known is None and path.name in OLD):
        return False
    try:
        return path.is_dir() or _print(path.read_bytes()) != known
    except OSError:
        return True


def _print(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _record(folder: Path) -> dict[str, str]:
    with suppress(OSError, ValueError):
        found = json.loads((folder / RECORD).read_bytes())
        if isinstance(found, dict):
            return {str(name): str(value) for name, value in found.items()}
    return {}
