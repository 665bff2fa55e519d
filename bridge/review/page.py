"""A take's review: one page that opens offline, and its beats as a table."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

from bridge.journal.take import write_whole
from bridge.review.facts import tell
from bridge.review.read import Take, read_take
from bridge.review.rows import LONG_TEXT, summary, tables, title
from bridge.review.story import DeckStory, PedalStory, Story
from bridge.review.tables import tempo_csv
from bridge.review.troubles import troubles
from bridge.review.words import clean, day_and_time, ending
from bridge.web.shell import render

LABEL = 28
"""Characters of a mark that are shown in the plot; the table has all of it."""


def write_review(folder: Path) -> Path:
    """Write ``review.html`` and ``tempo.csv`` into a take's folder; what was there of them is replaced.

    Args:
        folder: The take's folder.

    Returns:
        Path of the page.

    Raises:
        TakeError: The folder is no take, cannot be read, or cannot be written to.
    """
    take = read_take(folder)
    page = folder / "review.html"
    write_whole(folder / "tempo.csv", tempo_csv(take.facts, take.began))
    write_whole(page, review_page(take).encode(errors="replace"))
    return page


def review_page(take: Take) -> str:
    """Return a take's review as HTML that holds everything it needs."""
    story = tell(take.facts)
    found = troubles(take.facts, take.faults, take.began)
    said = {
        "title": title(story, take.folder.name),
        "when": day_and_time(story.wall),
        "summary": summary(story, found),
        "tables": tables(story, found),
        "long_text": LONG_TEXT,
        "plotted": any(deck.runs or deck.levels or len(deck.stretches) > 1 for deck in story.decks),
        "troubled": bool(found),
        "ending": ending(story.ended),
        "segments": len(take.sound),
        "folder": clean(shlex.quote(_with_parent(take.folder))),
    }
    return render("review.html", _plot_data(story), said)


def _with_parent(folder: Path) -> str:
    """Return a folder's path from beside its parent: ``recordings/NAME``."""
    whole = folder.resolve()
    return (Path(whole.parent.name) / whole.name).as_posix()


def _plot_data(story: Story) -> dict[str, Any]:
    """Return what the plots are drawn from; seconds to the millisecond, since a screen shows no more."""
    changes = [[_round(c.seconds), f"{clean(c.deck)}: {c.kind}"] for c in story.changes if c.by_hand]
    return {
        "length": _round(story.length_s),
        "decks": [_deck_data(deck, story) for deck in story.decks],
        "pedals": [_pedal_data(pedal, story) for pedal in story.pedals if pedal.steps],
        "changes": changes,
        "marks": [[_round(mark.seconds), _label(mark.text)] for mark in story.marks],
    }


def _deck_data(deck: DeckStory, story: Story) -> dict[str, Any]:
    began = story.began
    tempo: list[list[float | None]] = [[], []]
    for run in deck.runs:
        for beat in run:
            tempo[0].append(_round(beat.at - began))
            tempo[1].append(_round(beat.tempo))
        tempo[0].append(_round(run[-1].at - began) + 0.001)  # a gap follows each run
        tempo[1].append(None)
    return {
        "name": clean(deck.name),
        "tempo": tempo,
        "levels": [[_round(seconds) for seconds, _ in deck.levels], [round(db, 1) for _, db in deck.levels]],
        "states": [[_round(s.begin_s), _round(s.end_s), s.state] for s in deck.stretches],
    }


def _pedal_data(pedal: PedalStory, story: Story) -> dict[str, Any]:
    steps = pedal.steps
    seconds = [_round(step.seconds) for step in steps]
    deck_tempos, clocks = [_round(step.deck_tempo) for step in steps], [_round(step.tempo) for step in steps]
    if seconds[-1] < story.length_s:  # the clock goes on to the end
        seconds.append(_round(story.length_s))
        deck_tempos.append(deck_tempos[-1])
        clocks.append(clocks[-1])
    return {"name": clean(pedal.name), "deck": clean(pedal.deck), "told": [seconds, deck_tempos], "clocks": clocks}


def _label(text: str) -> str:
    line = " ".join(clean(text).split())
    return line if len(line) <= LABEL else f"{line[: LABEL - 1]}…"


def _round(number: float) -> float:
    return round(number, 3)
