"""A take's review: one page that opens offline, and files for other programs."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bridge.review.chapters import chapters, ffmetadata, one_line, video_list, vtt
from bridge.review.facts import tell
from bridge.review.files import write_files
from bridge.review.kept import KeptSound, kept_sound
from bridge.review.measured import Measured, measure
from bridge.review.plot_data import plot_data
from bridge.review.read import Take, read_take
from bridge.review.rows import summary, tables, title
from bridge.review.story import Story
from bridge.review.table import LONG_TEXT
from bridge.review.tables import tempo_csv
from bridge.review.tempo_map import tempo_mid
from bridge.review.troubles import Trouble, sound_troubles, troubles
from bridge.review.wav_cues import write_wavs
from bridge.review.words import clean, day_and_time, ending
from bridge.web.shell import render

PAGE = "review.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """A take, read and counted.

    Attributes:
        take: What is in its folder.
        story: What its facts tell.
        kept: Where its sound lies.
        measured: Its sound in numbers; None where none was kept.
        found: What went wrong.
    """

    take: Take
    story: Story
    kept: KeptSound
    measured: Measured | None
    found: tuple[Trouble, ...]


def write_review(folder: Path, progress: Callable[[float], None] = lambda share: None) -> Path:
    """Write ``review.html`` and the files for other programs into a take's folder.

    What was there of them is replaced, unless a hand has changed it (`bridge.review.files`).

    Args:
        folder: The take's folder.
        progress: Called with the share of the kept sound that was measured, 0..1.

    Returns:
        Path of the page.

    Raises:
        TakeError: The folder is no take, cannot be read, or cannot be written to.
    """
    return write_all(review_take(folder, progress))[PAGE]


def write_all(review: Review) -> dict[str, Path]:
    """Write the page and the files for other programs into the take's folder; return where each landed, by its name.

    Raises:
        TakeError: The folder cannot be written to.
    """
    return write_files(review.take.folder, files_of(review))


def write_cued_wavs(review: Review, progress: Callable[[float], None] = lambda share: None) -> tuple[Path, ...]:
    """Write the kept sound into the take's folder as WAV files with a cue at every mark and chapter.

    Raises:
        TakeError: No sound was kept, or a file cannot be written.
    """
    cues = {chapter.begin_s: chapter.title for chapter in chapters(review.story)}
    cues |= {mark.seconds: one_line(mark.text) or "mark" for mark in review.story.marks}
    return write_wavs(review.kept, tuple(cues.items()), review.take.folder, progress)


def review_take(folder: Path, progress: Callable[[float], None] = lambda share: None) -> Review:
    """Read a take and count everything in it.

    Raises:
        TakeError: The folder is no take, or cannot be read.
    """
    take = read_take(folder)
    story = tell(take.facts)
    kept = kept_sound(take)
    found = troubles(take.facts, take.faults, take.began)
    found = (*found, *sound_troubles(kept.segments, kept.unreadable, story.length_s))
    return Review(take=take, story=story, kept=kept, measured=measure(kept, progress), found=found)


def files_of(review: Review) -> dict[str, bytes]:
    """Return the page and the files for other programs, by their names."""
    take, found = review.take, chapters(review.story)
    return {
        "tempo.csv": tempo_csv(take.facts, take.began),
        "tempo.mid": tempo_mid(review.story),
        "chapters.vtt": vtt(found),
        "chapters.txt": video_list(found),
        "chapters.ffmetadata": ffmetadata(found, title(review.story, take.folder.name)),
        PAGE: review_page(review).encode(errors="replace"),
    }


def review_page(review: Review) -> str:
    """Return a take's review as HTML that holds everything it needs but the sound, which stays beside it."""
    take, story, found = review.take, review.story, review.found
    said = {
        "title": title(story, take.folder.name),
        "when": day_and_time(story.wall),
        "summary": summary(story, found),
        "tables": tables(story, found, review.measured),
        "long_text": LONG_TEXT,
        "plotted": any(deck.runs or deck.levels or len(deck.stretches) > 1 for deck in story.decks),
        "troubled": bool(found),
        "ending": ending(story.ended),
        "segments": [segment.path.name for segment in review.kept.segments],
        "ears": _ears(review.kept),
        "folder": clean(shlex.quote(_with_parent(take.folder))),
    }
    return render("review.html", plot_data(story, review.kept), said)


def _ears(kept: KeptSound) -> str:
    """Return in words where one hears which deck, as a browser plays the files."""
    if len(kept.decks) == 2 and kept.decks[0] != kept.decks[1]:
        return f"Left is {clean(kept.decks[0])}, right is {clean(kept.decks[1])}."
    if len(kept.decks) > 2:
        return f"The channels are, in order: {clean(', '.join(kept.decks))}."
    return ""


def _with_parent(folder: Path) -> str:
    """Return a folder's path from beside its parent: ``recordings/NAME``."""
    whole = folder.resolve()
    return (Path(whole.parent.name) / whole.name).as_posix()
