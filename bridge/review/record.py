"""A review as plain values, for scripts: what `tapebridge review --json` prints."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

from bridge.review.chapters import chapters
from bridge.review.story import DeckStory

if TYPE_CHECKING:
    from bridge.review.page import Review


def record_of(review: Review) -> dict[str, Any]:
    """Return a review as plain values; times are seconds since the take began, tempos bpm, shares 0..1."""
    story, measured = review.story, review.measured
    loudness = {name: measured.loudness(name) for name in measured.names()} if measured else {}
    return {
        "name": story.name,
        "length_s": story.length_s,
        "ended": story.ended,
        "decks": [_deck(deck) for deck in story.decks],
        "pedals": [
            {"name": pedal.name, "deck": pedal.deck, "told": len(pedal.steps), "taps": pedal.taps}
            | {"echoes": None if pedal.echoes is None else dataclasses.asdict(pedal.echoes)}
            for pedal in story.pedals
        ],
        "changes": [dataclasses.asdict(change) for change in story.changes],
        "marks": [dataclasses.asdict(mark) for mark in story.marks],
        "loops": [dataclasses.asdict(loop) for loop in story.loops],
        "cues": [dataclasses.asdict(cue) for cue in story.cues],
        "hands": [dataclasses.asdict(deed) for deed in story.deeds],
        "loudness": {name: dataclasses.asdict(loud) for name, loud in loudness.items()},
        "chapters": [dataclasses.asdict(chapter) for chapter in chapters(story)],
        "troubles": [dataclasses.asdict(trouble) for trouble in review.found],
    }


def _deck(deck: DeckStory) -> dict[str, Any]:
    return {
        "name": deck.name,
        "share_following": deck.share_following,
        "tempo_range": deck.tempo_range,
        "stretches": [dataclasses.asdict(stretch) for stretch in deck.stretches],
        "pieces": [
            {
                "begin_s": piece.begin_s,
                "end_s": piece.end_s,
                "reference": piece.reference,
                "last": piece.last,
                "drift_percent": piece.drift_percent,
                "drift_cents": piece.drift_cents,
                "slow_cents": None if piece.parts is None else piece.parts.slow_range,
                "wow_cents": None if piece.parts is None else piece.parts.fast_rms,
                "moves": [dataclasses.asdict(move) for move in piece.parts.moves] if piece.parts else [],
            }
            for piece in deck.pieces
        ],
    }
