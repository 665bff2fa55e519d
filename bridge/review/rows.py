"""A take's story as the tables and sentences of its page: numbers with units, times as m:ss."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from bridge.review.story import Change, DeckStory, Mark, PedalStory, Story
from bridge.review.troubles import SENDER_LOST, Trouble
from bridge.units import clock_text

NONE = "–"
"""What stands where there is nothing to say."""

LONG_TABLE = 40
"""A table with more rows is folded away."""

AT_ONCE_S = 0.05
"""What is noticed within this is noticed at once."""

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


def time(seconds: float) -> str:
    """Return a time since the begin of the take as m:ss; what lies before the begin is 0:00."""
    return clock_text(max(0.0, seconds))


def bpm(tempo: float | None) -> str:
    """Return a tempo with its unit."""
    return NONE if tempo is None else f"{tempo:.1f}\xa0bpm"


def percent(share: float | None) -> str:
    """Return a share of 0 to 1 in whole per cent."""
    return NONE if share is None else f"{100 * share:.0f}\xa0%"


def signed(number: float | None, unit: str, digits: int) -> str:
    """Return a number with its sign and unit."""
    if number is None:
        return NONE
    return f"{round(number, digits) + 0.0:+.{digits}f}".replace("-", "−") + f"\xa0{unit}"


def late(seconds: float) -> str:
    """Return how much later something was noticed."""
    return "at once" if seconds < AT_ONCE_S else f"{seconds:.1f}\xa0s later"


def ending(why: str | None) -> str:
    """Return how a take ended, as a sentence.

    Args:
        why: The reason that the take's last fact gives; None where there is none.
    """
    if why is None:
        return "The journal does not say that the take ended."
    if over := re.fullmatch(r"its (\S+) s were over", why):
        return f"Ended after {over[1]}\xa0s, as asked."
    if why.startswith(SENDER_LOST):
        return f"Ended because the program that sends the clock was lost ({clean(why.removeprefix(SENDER_LOST))})."
    return f"Ended: {clean(why) or 'no reason given'}."


def day_and_time(wall: float | None) -> str:
    """Return wall time as a date and time of day in UTC; empty where it is unknown or no date."""
    moment = _moment(wall)
    return f"{moment:%A} {moment.day} {moment:%B %Y, %H:%M} UTC" if moment else ""


def clean(text: str) -> str:
    """Return a text without control characters and halves of surrogate pairs; lines and tabs stay."""
    return "".join("�" if unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\t" else c for c in text)


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
        moment = _moment(mark.wall)
        rows.append((time(mark.seconds), f"{moment:%H:%M:%S}" if moment else NONE, mark.text))
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


def _moment(wall: float | None) -> datetime | None:
    try:
        return None if wall is None else datetime.fromtimestamp(wall, UTC)
    except (OverflowError, ValueError, OSError):  # no wall clock of this world
        return None


def _at(trouble: Trouble) -> str:
    return "" if trouble.seconds is None else f"at {time(trouble.seconds)}, "


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def _decks_called(number: int) -> str:
    return {0: "no deck", 1: "the deck"}.get(number, "the decks")


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number}\xa0times")
