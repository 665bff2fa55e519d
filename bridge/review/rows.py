"""A take's story as the tables and sentences of its page: numbers with units, times as m:ss."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from bridge.review.audible import audible
from bridge.review.chapters import chapters
from bridge.review.measured import Measured
from bridge.review.pedal_rows import pedal_tables
from bridge.review.story import Change, ChangeKind, DeckStory, Mark, Piece, Story
from bridge.review.table import Table, table
from bridge.review.troubles import Trouble
from bridge.review.words import NONE, bpm, clean, lasts, late, moment, number, percent, signed, time

CHANGED: dict[ChangeKind, str] = {
    "started": "started",
    "stopped": "stopped",
    "another tape": "changed for another",
    "speed switch": "switched in speed",
}
"""What was done to tapes by hand, in words."""


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
    changed = _changed(story.changes)
    if not found:
        return (first, f"{changed}, and nothing went wrong.")
    what = clean(found[0].brief or found[0].what)
    what = f"{_at(found[0])}{what[:1].lower()}{what[1:]}"
    many = "One thing went wrong" if len(found) == 1 else f"{len(found)} things went wrong, the first"
    return (first, f"{changed}. {many}: {what}")


def _changed(changes: Sequence[Change]) -> str:
    """Return how often which change was made by hand; a start with another tape is the other tape alone."""
    kinds = {
        (c.deck, round(c.seconds, 2)): c.kind for c in sorted(changes, key=lambda c: c.kind != "started") if _counts(c)
    }
    often = Counter(kinds.values())
    told = [f"{words} {_times(often[kind])}" for kind, words in CHANGED.items() if often[kind]]
    return f"Tapes were {_and(told)}" if told else "No deck was changed"


def _counts(change: Change) -> bool:
    return change.by_hand and change.sure


def tables(story: Story, found: Sequence[Trouble], measured: Measured | None = None) -> tuple[Table, ...]:
    """Return the tables of a take's page, in the order in which one reads them; those with nothing to say are few.

    Args:
        story: The take.
        found: What went wrong.
        measured: Its kept sound in numbers; None where none was kept.
    """
    return (
        _marks(story.marks),
        _troubles(found),
        _decks(story.decks),
        *([_loudness(measured)] if measured else []),
        _pieces(story.decks),
        _moves(story.decks),
        _changes(story.changes),
        *pedal_tables(story),
        _chapters(story),
        _audible(story),
        *([_silences(measured)] if measured else []),
        _stretches(story.decks),
    )


def _decks(decks: Sequence[DeckStory]) -> Table:
    rows = []
    for deck in decks:
        slowest, fastest = deck.tempo_range or (None, None)
        beats = sum(len(run) for run in deck.runs)
        rows.append((deck.name, percent(deck.share_following), f"{beats:,}", bpm(slowest), bpm(fastest)))
    heads = ("Deck", "Followed", "Beats", "Slowest beat", "Fastest beat")
    return table("Decks", heads, rows, "1234", "No deck is named in the journal.")


def _loudness(measured: Measured) -> Table:
    rows = []
    for name in measured.names():
        loud = measured.loudness(name)
        silent_s = sum(end - begin for begin, end in measured.silences(name))
        rows.append(
            (
                name,
                number(loud.integrated, "LUFS", 1),
                number(loud.loudest, "LUFS", 1),
                number(loud.range_lu, "LU", 1),
                number(loud.true_peak_db, "dBTP", 1),
                lasts(silent_s),
            )
        )
    heads = ("Deck", "Integrated", "Loudest 3\xa0s", "Range", "True peak", "Silent")
    note = "Of the kept sound, by EBU R\xa0128; broadcasters aim at −23\xa0LUFS and at most −1\xa0dBTP."
    return table("Loudness", heads, rows, "12345", "No sound was kept.", note=note)


def _pieces(decks: Sequence[DeckStory]) -> Table:
    pieces = [(deck, piece) for deck in decks for piece in deck.pieces]
    rows = [
        (
            deck.name,
            time(piece.begin_s),
            time(piece.end_s),
            bpm(piece.reference),
            bpm(piece.last),
            signed(piece.drift_percent, "%", 1),
            signed(piece.drift_cents, "cents", 0),
            _slow(piece),
            NONE if piece.parts is None else f"{piece.parts.fast_rms:.1f}\xa0cents",
        )
        for deck, piece in pieces
    ]
    heads = ("Deck", "First beat", "Last beat", "At first", "At last", "Drift", "As pitch", "Slow drift", "Wow")
    note = (
        "Against the tape’s first steady minute. Slow drift is what the tape did below 0.1\xa0Hz, without the hand; "
        "wow is what is faster, as its root mean square."
    )
    moments = [piece.begin_s for _, piece in pieces]
    return table("Drift between changes", heads, rows, "12345678", "No beat was found.", moments=moments, note=note)


def _slow(piece: Piece) -> str:
    if piece.parts is None:
        return NONE
    low, high = (signed(cents, "", 0).strip() for cents in piece.parts.slow_range)
    return f"{low} to {high}\xa0cents"


def _moves(decks: Sequence[DeckStory]) -> Table:
    moves = [(deck, move) for deck in decks for piece in deck.pieces if piece.parts for move in piece.parts.moves]
    moves.sort(key=lambda each: each[1].begin_s)
    rows = [
        (
            time(move.begin_s),
            deck.name,
            move.by,
            lasts(move.end_s - move.begin_s) if move.by == "varispeed" else "at once",
            signed(move.percent, "%", 1),
            signed(move.cents, "cents", 0),
        )
        for deck, move in moves
    ]
    heads = ("Time", "Deck", "What", "Took", "Tempo", "As pitch")
    moments = [move.begin_s for _, move in moves]
    empty = "The tempo was not moved while a tape played."
    return table("Moved by the hand", heads, rows, "0345", empty, moments=moments)


def _changes(changes: Sequence[Change]) -> Table:
    rows = [
        (
            time(change.seconds),
            change.deck,
            change.words,
            bpm(change.before),
            bpm(change.after),
            signed(change.percent, "%", 1),
            late(change.noticed_after_s),
        )
        for change in changes
    ]
    heads = ("Time", "Deck", "What", "Before", "After", "Change", "Noticed")
    moments = [change.seconds for change in changes]
    return table("Deck changes", heads, rows, "03456", "No deck was changed.", moments=moments)


def _marks(marks: Sequence[Mark]) -> Table:
    rows = []
    for mark in marks:
        then = moment(mark.wall)
        rows.append((time(mark.seconds), f"{then:%H:%M:%S}" if then else NONE, mark.text))
    moments = [mark.seconds for mark in marks]
    return table("Marks", ("Time", "UTC", "Text"), rows, "0", "No mark was placed.", moments=moments)


def _troubles(found: Sequence[Trouble]) -> Table:
    rows = [(NONE if each.seconds is None else time(each.seconds), each.what, each.remedy) for each in found]
    moments = [each.seconds for each in found]
    return table("What went wrong", ("Time", "What", "What to do"), rows, "0", "Nothing went wrong.", moments=moments)


def _chapters(story: Story) -> Table:
    found = chapters(story)
    rows = [(time(chapter.begin_s), chapter.title) for chapter in found]
    moments = [chapter.begin_s for chapter in found]
    note = "As in chapters.txt, to go under a video."
    return table("Chapters", ("Time", "Title"), rows, "0", "The take is too short for any.", moments=moments, note=note)


def _audible(story: Story) -> Table:
    parts = audible(story.decks, story.length_s)
    rows = [
        (time(part.begin_s), time(part.end_s), lasts(part.end_s - part.begin_s), _and(part.decks) or "silence")
        for part in parts
    ]
    moments = [part.begin_s for part in parts]
    heads = ("From", "To", "Lasts", "Decks")
    return table("What could be heard", heads, rows, "012", "No level is written down.", moments=moments, folded=True)


def _silences(measured: Measured) -> Table:
    spans = [(name, *span) for name in measured.names() for span in measured.silences(name)]
    rows = [(time(begin), time(end), lasts(end - begin), name) for name, begin, end in spans]
    moments = [begin for _, begin, _ in spans]
    heads = ("From", "To", "Lasts", "Deck")
    return table("Silences", heads, rows, "012", "There was none.", moments=moments, folded=bool(rows))


def _stretches(decks: Sequence[DeckStory]) -> Table:
    each = [(deck, stretch) for deck in decks for stretch in deck.stretches]
    rows = [(deck.name, s.state, time(s.begin_s), time(s.end_s), lasts(s.end_s - s.begin_s)) for deck, s in each]
    heads = ("Deck", "State", "From", "To", "Lasts")
    moments = [stretch.begin_s for _, stretch in each]
    empty = "No state is written down."
    return table("States", heads, rows, "234", empty, moments=moments, folded=True)  # the time line has them


def _at(trouble: Trouble) -> str:
    return "" if trouble.seconds is None else f"at {time(trouble.seconds)}, "


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def _decks_called(number: int) -> str:
    return {0: "no deck", 1: "the deck"}.get(number, "the decks")


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number}\xa0times")
