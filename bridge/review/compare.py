"""One deck over several nights: its drift and wobble side by side, so that a tired belt shows."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.errors import TakeError
from bridge.review.drift import Parts
from bridge.review.facts import tell
from bridge.review.files import write_files
from bridge.review.read import read_take
from bridge.review.story import Piece
from bridge.review.table import Table, table
from bridge.review.words import clean, day_and_time, moment, signed
from bridge.units import clock_text, counted
from bridge.web.shell import render

SHORTEST_S = 60.0
"""A piece that was shorter tells nothing of a motor."""

SAME_TAPE = 0.06
"""Pieces whose tempo is further than this from the one that was asked for are of another tape, or at another speed."""

GROWN = 1.5
"""Drift and wobble that grew to more than so many times what they were are worth a word."""

POINTS = 300
"""Points of a night's curve on the page."""

LABELLED = 12
"""The newest so many nights have their name at their line."""

WIDTH, HEIGHT, LEFT, RIGHT, BELOW = 480, 300, 36, 52, 28
END_S = 5.0  # what the smoothing makes of a curve's ends is not shown
DASHES = ("", "7 3", "2 3", "8 3 2 3")


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """A deck on one night.

    Attributes:
        name: The night's name: its date, or its folder where the journal tells none.
        wall: Wall time of its begin; None where it is unknown.
        piece: The longest piece without a change of tape or speed.
        parts: Its tempo curve taken apart.
        pieces: How many pieces there were.
    """

    name: str
    wall: float | None
    piece: Piece
    parts: Parts
    pieces: int

    @property
    def minutes(self) -> float:
        """Length of the piece in minutes."""
        return (self.piece.end_s - self.piece.begin_s) / 60.0

    @property
    def drift_range(self) -> float:
        """From the lowest to the highest slow drift, in cents."""
        low, high = self.parts.slow_range
        return high - low

    @property
    def wobble(self) -> float:
        """RMS of what is faster than 0.1 Hz, in cents: wow, as far as beats show it, and how they were placed."""
        return self.parts.fast_rms

    @property
    def slope(self) -> float:
        """Slow drift in cents an hour, by a straight line."""
        return float(3600.0 * np.polyfit(self.parts.seconds, self.parts.slow, 1)[0])


def write_compare(folders: Sequence[Path], deck: str, near: float | None = None, place: Path | None = None) -> Path:
    """Write ``compare-DECK.html`` and ``.csv`` over several takes.

    Args:
        folders: Takes.
        deck: The deck's name.
        near: Only pieces of about this tempo in bpm, so that one tape is compared with itself; None for the longest.
        place: Folder to write to; None for the one that the first take is in.

    Returns:
        Path of the page.

    Raises:
        TakeError: A take cannot be read, no night has such a deck with a beat, or the page cannot be written.
    """
    nights, without = _nights(folders, deck, near)
    name = "compare-" + (re.sub(r"[^a-z0-9]+", "-", deck.lower()).strip("-") or "deck")
    files = {
        f"{name}.csv": _csv(nights),
        f"{name}.html": compare_page(nights, deck, near, without).encode(errors="replace"),
    }
    return write_files(place or folders[0].resolve().parent, files)[f"{name}.html"]


def _nights(folders: Sequence[Path], deck: str, near: float | None) -> tuple[list[Night], list[str]]:
    """Return the nights that can be compared, in order of time, and the names of the others."""
    nights, without, decks = [], [], set()
    for folder in folders:
        story = tell(read_take(folder).facts)
        decks |= {one.name for one in story.decks}
        pieces = [p for one in story.decks if one.name == deck for p in one.pieces if _counts(p, near)]
        longest = max(pieces, key=lambda piece: piece.end_s - piece.begin_s, default=None)
        if longest is None or longest.parts is None:
            without.append(folder.name)
            continue
        then = moment(story.wall)
        name = f"{then:%Y-%m-%d %H:%M}" if then else folder.name
        nights.append(Night(name=name, wall=story.wall, piece=longest, parts=longest.parts, pieces=len(pieces)))
    if not nights:
        raise TakeError(_why_not(folders, deck, near, sorted(decks)))
    return sorted(nights, key=lambda night: (night.wall is None, night.wall or 0.0, night.name)), without


def _why_not(folders: Sequence[Path], deck: str, near: float | None, decks: Sequence[str]) -> str:
    """Return why a deck cannot be compared, and what to do."""
    where = str(folders[0]) if len(folders) == 1 else f"{folders[0]} and {counted(len(folders) - 1, 'more take')}"
    names = ", ".join(decks) or "none"
    if deck not in decks:
        remedy = "Name one of them after --compare" if decks else "Name a take in which a deck was heard"
        return f"{where}: no deck is called {deck!r}. Decks there: {names}. {remedy}."
    what = "" if near is None else f" near {near:g} bpm"
    remedy = "Name takes in which it did" + ("" if near is None else ", or another tempo after --near")
    return f"{where}: the deck {deck!r} never kept a beat{what} for a minute. {remedy}; decks there: {names}."


def _counts(piece: Piece, near: float | None) -> bool:
    long = piece.end_s - piece.begin_s >= SHORTEST_S
    return long and (near is None or abs(piece.reference / near - 1.0) <= SAME_TAPE)


def compare_page(nights: Sequence[Night], deck: str, near: float | None, without: Sequence[str]) -> str:
    """Return the page."""
    said: dict[str, Any] = {
        "title": f"{clean(deck)} over {counted(len(nights), 'night')}",
        "when": f"{day_and_time(nights[0].wall)} to {day_and_time(nights[-1].wall)}" if len(nights) > 1 else "",
        "tape": "" if near is None else f"Only what lay within {100 * SAME_TAPE:.0f} % of {near:g} bpm.",
        "summary": trend(nights),
        "without": [clean(name) for name in without],
        "table": _table(nights),
        "plot": _plot(nights),
    }
    return render("compare.html", {}, said)


def trend(nights: Sequence[Night]) -> str:
    """Return in a sentence or two how drift and wobble changed from the first nights to the last."""
    if len(nights) < 2:
        return "One night alone shows no trend: name more takes."
    third = max(1, len(nights) // 3)
    said, grown = [], True
    for what, values in (
        ("Slow drift spans", [night.drift_range for night in nights]),
        ("Wobble is", [night.wobble for night in nights]),
    ):
        before, after = float(np.mean(values[:third])), float(np.mean(values[-third:]))
        more = f"{after / before:.1f} times as much as" if before > 0 else "against"
        said.append(f"{what} {after:.1f} cents at last, {more} the {before:.1f} cents at first.")
        grown = grown and after > GROWN * before
    if grown:
        said.append("Both grew by half or more: belt, idler or pinch roller may be tired, or the motor wants service.")
    return " ".join(said)


def _table(nights: Sequence[Night]) -> Table:
    heads = (
        "Night",
        "Longest piece",
        "Tempo, bpm",
        "Drift at its end, %",
        "Slow drift, cents",
        "A line, cents an hour",
        "Wobble, cents RMS",
    )
    rows = [
        (
            night.name,
            clock_text(60.0 * night.minutes),
            f"{night.piece.reference:.2f}",
            signed(night.piece.drift_percent, "", 2).strip(),
            f"{night.drift_range:.1f}",
            signed(night.slope, "", 1).strip(),
            f"{night.wobble:.1f}",
        )
        for night in nights
    ]
    return table("Nights", heads, rows, "123456", "No night has a beat.")


def _csv(nights: Sequence[Night]) -> bytes:
    """Return every night's slow drift as a table: night, seconds since the piece's begin, cents."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["night", "seconds", "slow_drift_cents"])
    for night in nights:
        for at, cents in zip(*_curve(night), strict=True):
            rows.writerow([night.name, f"{at:.2f}", f"{cents:.2f}"])
    return text.getvalue().encode(errors="replace")


def _curve(night: Night) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    seconds = night.parts.seconds - night.parts.seconds[0]
    shown = np.flatnonzero((seconds >= END_S) & (seconds <= seconds[-1] - END_S))
    shown = shown[:: max(1, len(shown) // POINTS)]
    return seconds[shown], night.parts.slow[shown]


def _plot(nights: Sequence[Night]) -> dict[str, Any]:
    """Return the lines, labels and axes of the plot in its own units, one a point of the screen."""
    curves = [_curve(night) for night in nights]
    longest = max(float(at[-1]) for at, _ in curves)
    low = min(-5.0, *(float(cents.min()) for _, cents in curves))
    high = max(5.0, *(float(cents.max()) for _, cents in curves))
    wide, tall = WIDTH - LEFT - RIGHT, HEIGHT - BELOW - 12

    def x(at: NDArray[np.float64] | float) -> Any:
        return LEFT + wide * at / max(longest, 1.0)

    def y(cents: NDArray[np.float64] | float) -> Any:
        return 12 + tall * (high - cents) / (high - low)

    lines = []
    for number, (night, (at, cents)) in enumerate(zip(nights, curves, strict=True)):
        age = len(nights) - 1 - number
        points = " ".join(f"{px:.1f},{py:.1f}" for px, py in zip(x(at), y(cents), strict=True))
        lines.append(
            {
                "points": points,
                "name": _short(night) if age < LABELLED else "",
                "x": round(float(x(at[-1])) + 5, 1),
                "y": round(float(y(cents[-1])) + 4, 1),
                "dash": DASHES[age % len(DASHES)],
                "strength": round(max(0.3, 1.0 - 0.7 * age / max(1, len(nights) - 1)), 2),
                "width": 2.4 if age == 0 else 1.4,
            }
        )
    _keep_apart(lines)
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "left": LEFT,
        "right": WIDTH - RIGHT,
        "bottom": HEIGHT - BELOW,
        "lines": lines,
        "cents": [(round(float(y(v)), 1), f"{v:+.0f}".replace("-", "−") if v else "0") for v in _ticks(low, high)],
        "minutes": [(round(float(x(60.0 * v)), 1), f"{v:g}") for v in _ticks(0.0, longest / 60.0)],
    }


def _short(night: Night) -> str:
    then = moment(night.wall)
    return f"{then.day} {then:%b}" if then else night.name[:8]


def _keep_apart(lines: list[dict[str, Any]]) -> None:
    """Move labels down so that none covers another."""
    last = -100.0
    for line in sorted((line for line in lines if line["name"]), key=lambda line: line["y"]):
        line["y"] = last = max(line["y"], last + 13.0)


def _ticks(low: float, high: float) -> list[float]:
    span = max(high - low, 1e-6)
    step = min((s for s in (0.5, 1, 2, 5, 10, 15, 20, 30, 60, 100, 200, 500, 1000) if span / s <= 7), default=span)
    first = int(np.ceil(low / step))
    return [n * step for n in range(first, int(np.floor(high / step)) + 1)]
