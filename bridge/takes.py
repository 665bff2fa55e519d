"""All takes of a folder: what is in each, and how to make room without losing what matters."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

from bridge.errors import TakeError
from bridge.journal.features import RowMaker, file_name, write_features
from bridge.journal.take import JOURNAL
from bridge.review.facts import tell
from bridge.review.kept import KeptSound, Segment, blocks, kept_sound, kept_taps
from bridge.review.read import Take, read_take
from bridge.review.story import Story

AROUND_MARK_S = 300.0
"""Sound that lies no further from a mark than this is kept when a take is thinned."""

STILL_S = 120.0
"""A take without an end whose journal was written to within this time still runs: wall time is written each minute."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """A take in a line.

    Attributes:
        folder: Its folder.
        wall: Wall time of its begin in seconds since 1970 UTC; None where the journal does not say.
        length_s: Its length.
        decks: Names of its decks.
        tempos: Slowest and fastest beat that was heard, in bpm; None without a beat.
        marks: How many marks it has.
        size_bytes: Size of all its files.
        sound_bytes: Size of its sound, dry taps included.
        state: "ended", "running", or "cut" where the journal has no end.
        faults: Lines of its journal that cannot be read.
    """

    folder: Path
    wall: float | None
    length_s: float
    decks: tuple[str, ...]
    tempos: tuple[float, float] | None
    marks: int
    size_bytes: int
    sound_bytes: int
    state: str
    faults: int

    def as_record(self) -> dict[str, Any]:
        """Return it as plain values."""
        return asdict(self) | {"folder": str(self.folder)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinning:
    """What thinning a take does.

    Attributes:
        folder: The take's folder.
        drop: Files of sound that go.
        keep: Files of sound that stay, since they lie around a mark.
        drop_bytes: Size of what goes.
        features: Files of features that are made first, since the take has none for that sound.
        refused: Why the take is left alone; empty when it is not.
    """

    folder: Path
    drop: tuple[Path, ...] = ()
    keep: tuple[Path, ...] = ()
    drop_bytes: int = 0
    features: tuple[str, ...] = ()
    refused: str = ""


def find_takes(places: Sequence[Path]) -> list[Path]:
    """Return the folders of all takes in ``places``, each a take or a folder of takes; in order of their names.

    Raises:
        TakeError: A place is absent, or cannot be read.
    """
    found: list[Path] = []
    for place in places:
        try:
            inside = [place] if (place / JOURNAL).exists() else sorted(p.parent for p in place.glob(f"*/{JOURNAL}"))
            if not place.is_dir():
                raise NotADirectoryError(0, "there is no such folder")
            next(place.iterdir(), None)  # an unreadable folder looks empty to glob
        except OSError as error:
            raise TakeError(
                f"{place}: {error.strerror or error}. Name a folder of takes; they land in recordings/ unless the rig "
                "says otherwise."
            ) from error
        found += inside
    return list(dict.fromkeys(found))


def summaries(folders: Iterable[Path]) -> Iterator[Summary | TakeError]:
    """Yield each take in a line, or why it cannot be read."""
    for folder in folders:
        try:
            take = read_take(folder)
            yield _summary(take, tell(take.facts))
        except TakeError as error:
            yield error
        except OSError as error:
            yield TakeError(f"{folder}: cannot be read: {error.strerror or error}. Allow reading it, or copy the take.")


def plan_thinning(folder: Path) -> Thinning:
    """Return what thinning a take would do. Nothing is changed.

    Whole segments go, none is cut. A segment that cannot be read, or placed in the take, stays.

    Raises:
        TakeError: The folder is no take, or cannot be read.
    """
    take = read_take(folder)
    if _state(take) == "running":
        return Thinning(folder=folder, refused="it still runs; end it first: tapebridge end")
    if take.faults and not take.facts:
        return Thinning(folder=folder, refused="nothing of its journal can be read, so its marks are unknown")
    kept, marks = kept_sound(take), [mark.seconds for mark in tell(take.facts).marks]
    both = (*kept.segments, *kept_taps(take).segments)
    drop = [segment for segment in both if not _near_a_mark(segment, marks)]
    gone = {segment.path for segment in drop}
    return Thinning(
        folder=folder,
        drop=tuple(segment.path for segment in drop),
        keep=tuple(path for path in (*take.sound, *take.taps) if path not in gone),
        drop_bytes=sum(segment.path.stat().st_size for segment in drop),
        features=tuple(name for _, names in _missing_features(take, kept) for name, _, _ in names) if drop else (),
    )


def thin(plan: Thinning) -> None:
    """Make the features that are missing, then delete the files that a plan lets go.

    Raises:
        TakeError: A file cannot be made or deleted; what was not deleted yet is still there.
    """
    if plan.refused:
        raise TakeError(f"{plan.folder}: {plan.refused}.")
    if plan.features:
        make_features(plan.folder)
    for path in plan.drop:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise TakeError(
                f"{path}: cannot be deleted: {error.strerror or error}. Allow writing in that folder, and try again."
            ) from error


def make_features(folder: Path) -> list[Path]:
    """Make the features of a take that has its sound but no features, and return their files.

    Raises:
        TakeError: The take cannot be read, or they cannot be written.
    """
    take = read_take(folder)
    kept = kept_sound(take)
    made = []
    for segments, names in _missing_features(take, kept):
        makers = [RowMaker(segments[0].rate) for _ in names]
        rows: list[list[Any]] = [[] for _ in names]
        for segment in segments:
            frame = segment.frame
            for block in blocks(segment):
                for maker, mine, (_, _, channels) in zip(makers, rows, names, strict=True):
                    mine.append(maker.hear(frame, np.asarray(block[:, channels].mean(axis=1), np.float32)))
                frame += len(block)
        for mine, (name, deck, _) in zip(rows, names, strict=True):
            write_features(folder / name, deck, segments[0].start, take.began + segments[0].begin_s, mine)
            made.append(folder / name)
    return made


_Named = list[tuple[str, str, list[int]]]


def _missing_features(take: Take, kept: KeptSound) -> Iterator[tuple[list[Segment], _Named]]:
    """Yield, for each start of the listener without features, its segments, and each deck's file, name and channels."""
    in_order = sorted(kept.segments, key=lambda segment: segment.path.name)
    for start, group in groupby(in_order, key=lambda segment: segment.start):
        segments = list(group)
        alike = [s for s in segments if (s.rate, s.channels) == (segments[0].rate, segments[0].channels)]
        if any(take.folder.glob(f"features-{start:03}-*.bin")):
            continue
        owners = kept.decks if len(kept.decks) == segments[0].channels else ()
        owners = owners or tuple(f"channel {n + 1}" for n in range(segments[0].channels))
        decks = list(dict.fromkeys(owners))
        yield (
            alike,
            [
                (file_name(start, place, deck), deck, [n for n, owner in enumerate(owners) if owner == deck])
                for place, deck in enumerate(decks, 1)
            ],
        )


def _summary(take: Take, story: Story) -> Summary:
    tempos = [deck.tempo_range for deck in story.decks if deck.tempo_range is not None]
    sizes = {path: path.stat().st_size for path in take.folder.iterdir() if path.is_file()}
    return Summary(
        folder=take.folder,
        wall=story.wall,
        length_s=story.length_s,
        decks=tuple(deck.name for deck in story.decks),
        tempos=(min(low for low, _ in tempos), max(high for _, high in tempos)) if tempos else None,
        marks=len(story.marks),
        size_bytes=sum(sizes.values()),
        sound_bytes=sum(sizes.get(path, 0) for path in (*take.sound, *take.taps)),
        state=_state(take),
        faults=len(take.faults),
    )


def _state(take: Take) -> str:
    if take.ended:
        return "ended"
    written = (take.folder / JOURNAL).stat().st_mtime
    return "running" if time.time() - written < STILL_S else "cut"


def _near_a_mark(segment: Segment, marks: Sequence[float]) -> bool:
    return any(segment.begin_s <= mark + AROUND_MARK_S and segment.end_s >= mark - AROUND_MARK_S for mark in marks)
