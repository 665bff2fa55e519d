"""A take's story as the tables and sentences of its page: numbers with units, times as m:ss."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from bridge.review.story import Change, DeckStory, Mark, PedalStory, Story
from bridge.review.troubles import Trouble
from bridge.review.words import NONE, bpm, clean, late, moment, percent, signed, time

LONG_TABLE = 40
"""A table with more rows is folded away."""

LONG_TEXT = 300
"""A text with more characters is folded away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of the page.

    Attributes:
        title: What it is about; also its heading.
        heads: Column heads.
        rows: Cells, one string for each head.
        numbers: Which columns are set as numbers, counted from 0.
        empty: What is said in its place when there is no row.
        folded: Whether it is folded away until somebody opens it.
    """

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int]
    empty: str
    folded: bool = False


def title(story: Story, folder: str) -> str:
    """Return what the take is called: its name without the time that begins the folder's."""
    name = re.sub(r"^\d{8}T\d{6}Z-", "", story.name or folder)
    return clean(name.replace("-", " ").strip() or folder)


def summary(story: Story, found: Sequence[Trouble]) -> tuple[str, ...]:
    """Return in plain sentences what happened."""
    if not story.decks and story.length_s == 0:
        return ("Nothing was written down in this take.",)
    decks = _and([clean(deck.name) for deck in story.decks])
    first = f"The take lasts {time(story.length_s)}, with {_decks_called(len(story.decks))} {decks}".rstrip()
    heard = [f"{clean(deck.name)} for {percent(deck.share_following)}" for deck in story.decks]
    first += f"; the bridge followed {_and(heard)} of the time." if heard else "."
    changes = {(c.deck, c.seconds) for c in story.changes if c.by_hand}  # started with another tape is one
    changed = f"Decks were changed by hand {_times(len(changes))}" if changes else "No deck was changed"
    if not found:
        return (first, f"{changed}, and nothing went wrong.")
    what = clean(found[0].brief or found[0].what)
    what = f"{_at(found[0])}{what[:1].lower()}{what[1:]}"
    many = "One thing went wrong" if len(found) == 1 else f"{len(found)} things went wrong, the first"
    return (first, f"{changed}. {many}: {what}")


def tables(story: Story, found: Sequence[Trouble]) -> tuple[Table, ...]:
    """Return the tables of a take's page, in the order in which one reads them."""
    return (
        _decks(story.decks),
        _pieces(story.decks),
        _changes(story.changes),
        _pedals(story.pedals),
        _marks(story.marks),
        _troubles(found),
        _stretches(story.decks),
    )


def _decks(decks: Sequence[DeckStory]) -> Table:
    rows = []
    for deck in decks:
        slowest, fastest = deck.tempo_range or (None, None)
        beats = sum(len(run) for run in deck.runs)
        rows.append((deck.name, percent(deck.share_following), f"{beats:,}", bpm(slowest), bpm(fastest)))
    heads = ("Deck", "Followed", "Beats", "Slowest beat", "Fastest beat")
    return _table("Decks", heads, rows, "1234", "No deck is named in the journal.")


def _pieces(decks: Sequence[DeckStory]) -> Table:
    rows = [
        (
            deck.name,
            time(piece.begin_s),
            time(piece.end_s),
            bpm(piece.reference),
            bpm(piece.last),
            signed(piece.drift_percent, "%", 1),
            signed(piece.drift_cents, "cents", 0),
        )
        for deck in decks
        for piece in deck.pieces
    ]
    heads = ("Deck", "First beat", "Last beat", "Tempo at first", "Tempo at last", "Drift", "As pitch")
    return _table("Drift between changes", heads, rows, "123456", "No beat was found.")


def _changes(changes: Sequence[Change]) -> Table:
    rows = [
        (
            time(change.seconds),
            change.deck,
            change.kind,
            bpm(change.before),
            bpm(change.after),
            signed(change.percent, "%", 1),
            late(change.noticed_after_s),
        )
        for change in changes
    ]
    heads = ("Time", "Deck", "What", "Before", "After", "Change", "Noticed")
    return _table("Deck changes", heads, rows, "03456", "No deck was changed.")


def _pedals(pedals: Sequence[PedalStory]) -> Table:
    rows = []
    for pedal in pedals:
        tempos = [step.tempo for step in pedal.steps]
        rows.append(
            (
                pedal.name,
                pedal.deck or NONE,
                f"{pedal.steps[-1].ratio:.4g}" if tempos else NONE,
                bpm(min(tempos, default=None)),
                bpm(max(tempos, default=None)),
                f"{len(tempos):,}",
                percent(pedal.echoes.within_2 if pedal.echoes else None),
            )
        )
    heads = (
        "Pedal",
        "Listens to",
        "Clock a beat",
        "Slowest clock",
        "Fastest clock",
        "Times told",
        "Within 2\xa0% of heard",
    )
    return _table("Pedals", heads, rows, "23456", "No pedal is named in the journal.")


def _marks(marks: Sequence[Mark]) -> Table:
    rows = []
    for mark in marks:
        then = moment(mark.wall)
        rows.append((time(mark.seconds), f"{then:%H:%M:%S}" if then else NONE, mark.text))
    return _table("Marks", ("Time", "UTC", "Text"), rows, "0", "No mark was placed.")


def _troubles(found: Sequence[Trouble]) -> Table:
    rows = [(NONE if each.seconds is None else time(each.seconds), each.what, each.remedy) for each in found]
    return _table("What went wrong", ("Time", "What", "What to do"), rows, "0", "Nothing went wrong.")


def _stretches(decks: Sequence[DeckStory]) -> Table:
    rows = [
        (deck.name, s.state, time(s.begin_s), time(s.end_s), f"{s.end_s - s.begin_s:.1f}\xa0s")
        for deck in decks
        for s in deck.stretches
    ]
    heads = ("Deck", "State", "From", "To", "Lasts")
    return replace(_table("States", heads, rows, "234", "No state is written down."), folded=True)  # the plot has them


def _table(title: str, heads: tuple[str, ...], rows: Sequence[tuple[str, ...]], numbers: str, empty: str) -> Table:
    cleaned = tuple(tuple(clean(cell) for cell in row) for row in rows)
    columns = frozenset(map(int, numbers))
    return Table(title=title, heads=heads, rows=cleaned, numbers=columns, empty=empty, folded=len(rows) > LONG_TABLE)


def _at(trouble: Trouble) -> str:
    return "" if trouble.seconds is None else f"at {time(trouble.seconds)}, "


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def _decks_called(number: int) -> str:
    return {0: "no deck", 1: "the deck"}.get(number, "the decks")


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number}\xa0times")
