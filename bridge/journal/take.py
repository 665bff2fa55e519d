"""A take's folder: where it lands, whether there is room for it, and files that are there whole or not at all."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
import unicodedata
from datetime import UTC, datetime
from pathlib import Path

from bridge import __version__
from bridge.errors import TakeError
from bridge.events import TakeStarted
from bridge.rig import Rig

JOURNAL = "journal.jsonl"
"""Name of the journal in a take's folder."""

RIG_COPY = "rig.toml"
"""The rig as it was, in a take's folder."""

ROOM_BYTES = 200_000_000
"""A set is not begun with less free room: about ten minutes of four channels at 48 kHz in FLAC."""

LONGEST_NAME = 60


def check_space(parent: Path) -> None:
    """Check, before a set begins, that takes can be kept in a folder.

    Args:
        parent: Folder in which takes land; may be absent, and is not made here.

    Raises:
        TakeError: The folder cannot be made or written to, or its disk has less than 200 MB of room.
    """
    place = parent.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        with tempfile.TemporaryFile(dir=place) as file:
            file.write(b"tape bridge")
        free = shutil.disk_usage(place).free
    except OSError as error:
        raise TakeError(
            f"{parent}: takes cannot be written there: {place}: {error.strerror or error}. "
            "Name a folder that you may write to, under take.folder in the rig."
        ) from error
    if free < ROOM_BYTES:
        raise TakeError(
            f"{parent}: its disk is nearly full: {free / 1e6:.0f} MB are free, a set wants {ROOM_BYTES / 1e6:.0f} MB "
            "or more. Make room, or name a folder on another disk, under take.folder in the rig."
        )


def new_take_folder(parent: Path, name: str, wall: float) -> Path:
    """Make the folder of a new take, such as ``20261125T190312Z-ferry-night``.

    Args:
        parent: Folder in which takes land; made when it is absent.
        name: The take's name, any text; only its letters and digits are used, in lower case and without accents.
        wall: Wall time in seconds since 1970 UTC.

    Returns:
        The new, empty folder. When there is one of that name already, ``-2`` or a higher number is added.

    Raises:
        TakeError: The folder cannot be made.
    """
    stem = f"{datetime.fromtimestamp(wall, UTC):%Y%m%dT%H%M%SZ}-{_slug(name)}"
    number = 1
    while True:
        folder = parent / (stem if number == 1 else f"{stem}-{number}")
        try:
            folder.mkdir(parents=True)
            return folder
        except FileExistsError:
            number += 1
        except OSError as error:
            raise TakeError(
                f"{folder}: the take's folder cannot be made: {error.strerror or error}. "
                "Name a folder that you may write to, under take.folder in the rig."
            ) from error


def take_started(rig: Rig, folder: Path, at: float, wall: float) -> TakeStarted:
    """Return the first fact of a take.

    Args:
        rig: What is plugged in.
        folder: The take's folder.
        at: Host time in seconds.
        wall: Wall time in seconds since 1970 UTC.
    """
    return TakeStarted(
        at=at,
        wall=wall,
        name=folder.name,
        version=__version__,
        decks=tuple(deck.name for deck in rig.decks),
        pedals=tuple(pedal.name for pedal in rig.pedals),
    )


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that, whatever happens, it is there whole or as it was before.

    Raises:
        TakeError: It cannot be written.
    """
    half = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        half.write_bytes(data)
        half.replace(path)
    except OSError as error:
        if not path.parent.is_dir():
            remedy = "There is no such folder. Name one that is there, or make it"
        else:
            remedy = (
                "Make room or allow writing in that folder, or copy it somewhere else and try there: "
                "tapebridge review COPY"
            )
        raise TakeError(f"{path}: cannot be written: {error.strerror or error}. {remedy}") from error
    finally:
        half.unlink(missing_ok=True)


def _slug(name: str) -> str:
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:LONGEST_NAME].strip("-") or "set"
