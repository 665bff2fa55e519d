"""A take as chapters: for a player (WebVTT), a video's description (plain text), and a video file (ffmetadata). Pure.

Chapters follow what could be heard: other decks, another tape, and the performer's own marks, which name them.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import isfinite

from bridge.review.audible import Audible, audible
from bridge.review.story import DeckStory, Story
from bridge.review.words import clean
from bridge.units import clock_text

SHORTEST_S = 10.0
"""No chapter is shorter: players of videos take none that are."""

LONGEST_TITLE = 90
"""Characters of a title; a longer one ends in an ellipsis."""

SILENCE = "silence"

MARK = 3
"""Weight of the performer's own marks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chapter:
    """A part of a take, or of the recording that it was placed on.

    Attributes:
        begin_s: Its begin in seconds; the first one's is 0.
        end_s: Its end: the next one's begin.
        title: One line of text, never empty.
    """

    begin_s: float
    end_s: float
    title: str


@dataclass(frozen=True, slots=True)
class _Edge:
    seconds: float
    weight: int
    title: str


def chapters(story: Story) -> tuple[Chapter, ...]:
    """Return a take's chapters: the first at 0, ascending, each at least 10 s long unless the take is shorter.

    Where two would be closer than that, the mark goes before another tape, and that before other decks.

    Args:
        story: The take; one without a second of length has no chapters.
    """
    if not story.length_s >= 1.0:
        return ()
    heard = audible(story.decks, story.length_s)
    edges = [_Edge(part.begin_s, 1, _names(part, story)) for part in heard]
    for change in story.changes:
        if change.kind in ("another tape", "speed switch") and change.by_hand:
            tempo = "" if change.after is None else f", {change.after:.0f} bpm"
            edges.append(_Edge(change.seconds, 2, f"{change.deck}: {change.kind}{tempo}"))
    edges += [_Edge(mark.seconds, MARK, mark.text) for mark in story.marks]
    return _spaced(edges, story.length_s)


def placed(found: Iterable[Chapter], place: Callable[[float], float | None], length_s: float) -> tuple[Chapter, ...]:
    """Return chapters on another recording's time line, the stream's own for instance.

    Args:
        found: Chapters of a take.
        place: Gives a moment of the take in seconds of the recording; None where the recording has no such moment.
        length_s: Length of the recording in seconds.
    """
    edges = [(place(chapter.begin_s), chapter.title) for chapter in found]
    inside = [_Edge(at, 2, title) for at, title in edges if at is not None and isfinite(at) and at < length_s]
    before = [edge for edge in inside if edge.seconds <= 0.0][-1:]  # what went on as the recording began
    return _spaced(before + [edge for edge in inside if edge.seconds > 0.0], length_s)


def vtt(found: Sequence[Chapter]) -> bytes:
    """Return chapters as WebVTT, UTF-8. Source: W3C WebVTT, chapters: one line of text a cue, cues in order."""
    lines = ["WEBVTT", ""]
    for number, chapter in enumerate(found, 1):
        text = chapter.title.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        lines += [str(number), f"{_stamp(chapter.begin_s)} --> {_stamp(chapter.end_s)}", text, ""]
    return "\n".join(lines).encode()


def video_list(found: Sequence[Chapter]) -> bytes:
    """Return chapters as the lines that go under a video: time and title, the first at 0:00. UTF-8."""
    return "".join(f"{clock_text(chapter.begin_s)} {chapter.title}\n" for chapter in found).encode()


def ffmetadata(found: Sequence[Chapter], title: str) -> bytes:
    """Return chapters in ffmpeg's own form, UTF-8, in ms.

    Source: ffmpeg's manual on formats, "Metadata"; its time base is always written, since the manual and the program
    disagree on what holds without one (ffmpeg ticket 7184).
    """
    lines = [";FFMETADATA1", f"title={_escaped(title)}"]
    for chapter in found:
        begin, end = round(1000 * chapter.begin_s), round(1000 * chapter.end_s)
        lines += ["[CHAPTER]", "TIMEBASE=1/1000", f"START={begin}", f"END={end}", f"title={_escaped(chapter.title)}"]
    return ("\n".join(lines) + "\n").encode()


def one_line(text: str) -> str:
    """Return a text as a chapter's title: one line, without control characters, and not too long."""
    line = clean(" ".join(text.split()))
    return line if len(line) <= LONGEST_TITLE else f"{line[: LONGEST_TITLE - 1].rstrip()}…"


def _spaced(edges: Iterable[_Edge], length_s: float, first: str = SILENCE) -> tuple[Chapter, ...]:
    """Keep the weightiest of edges that are too close, and begin at 0."""
    kept: list[_Edge] = []
    for edge in sorted(edges, key=_rank):
        title = one_line(edge.title)
        # whole seconds: a plain list shows no more, and so all files say the same
        at = 0.0 if edge.seconds < SHORTEST_S else float(int(edge.seconds))
        late = at > 0.0 and length_s - at < SHORTEST_S
        if title and not late and all(abs(at - other.seconds) >= SHORTEST_S for other in kept):
            kept.append(_Edge(at, edge.weight, title))
    kept.sort(key=lambda edge: edge.seconds)
    if not kept or kept[0].seconds > 0.0:
        kept.insert(0, _Edge(0.0, 0, first))
    ends = [edge.seconds for edge in kept[1:]] + [length_s]
    return tuple(
        Chapter(begin_s=edge.seconds, end_s=end, title=edge.title) for edge, end in zip(kept, ends, strict=True)
    )


def _rank(edge: _Edge) -> tuple[int, float]:
    """Return what is placed first: the weightiest, the earlier; but a take begins with what it came to, not silence."""
    settled = edge.seconds < SHORTEST_S and edge.weight < MARK
    return -edge.weight, -edge.seconds if settled else edge.seconds


def _names(part: Audible, story: Story) -> str:
    decks = [deck for deck in story.decks if deck.name in part.decks]
    return " and ".join(_name(deck, _tempo_of(deck, part, story.began)) for deck in decks) or SILENCE


def _name(deck: DeckStory, tempo: float | None) -> str:
    return deck.name if tempo is None else f"{deck.name} at {tempo:.0f} bpm"


def _tempo_of(deck: DeckStory, part: Audible, began: float) -> float | None:
    """Return the tempo of a deck's first beat in a part."""
    for run in deck.runs:
        first = bisect_left(run, part.begin_s + began, key=lambda beat: beat.at)
        if first < len(run):
            return run[first].tempo if run[first].at - began < part.end_s else None
    return None


def _stamp(seconds: float) -> str:
    whole = round(1000 * seconds)
    return f"{whole // 3_600_000:02}:{whole // 60_000 % 60:02}:{whole // 1000 % 60:02}.{whole % 1000:03}"


def _escaped(text: str) -> str:
    return re.sub(r"([=;#\\\n])", r"\\\1", text)
