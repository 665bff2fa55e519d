"""What the page's plots are drawn from: plain values, short, since a take of four hours goes into one file."""

from __future__ import annotations

from typing import Any

from bridge.review.kept import KeptSound
from bridge.review.story import DeckStory, PedalStory, Story
from bridge.review.words import clean

LABEL = 28
"""Characters of a mark that are shown in the plot; the table has all of it."""


def plot_data(story: Story, kept: KeptSound) -> dict[str, Any]:
    """Return what the plots are drawn from; seconds to the millisecond, since a screen shows no more."""
    changes = [[_round(c.seconds), f"{clean(c.deck)}: {c.words}"] for c in story.changes if c.by_hand]
    return {
        "length": _round(story.length_s),
        "decks": [_deck_data(deck, story) for deck in story.decks],
        "pedals": [_pedal_data(pedal, story) for pedal in story.pedals if pedal.steps],
        "changes": changes,
        "marks": [[_round(mark.seconds), _label(mark.text)] for mark in story.marks],
        "sound": [[_round(s.begin_s), _round(s.length_s), s.path.name] for s in kept.segments],
    }


def _deck_data(deck: DeckStory, story: Story) -> dict[str, Any]:
    began = story.began
    tempo: list[list[float | None]] = [[], [], []]
    for run in deck.runs:
        for beat in run:
            tempo[0].append(_round(beat.at - began))
            tempo[1].append(round(beat.tempo, 2))
            tempo[2].append(round(100 * beat.confidence))
        tempo[0].append(_round(_round(run[-1].at - began) + 0.001))  # a gap follows each run
        tempo[1].append(None)
        tempo[2].append(None)
    return {
        "name": clean(deck.name),
        "tempo": tempo,
        "levels": [[round(seconds, 2) for seconds, _ in deck.levels], [round(db, 1) for _, db in deck.levels]],
        "states": [[_round(s.begin_s), _round(s.end_s), s.state] for s in deck.stretches],
    }


def _pedal_data(pedal: PedalStory, story: Story) -> dict[str, Any]:
    steps = pedal.steps
    seconds = [_round(step.seconds) for step in steps]
    deck_tempos, clocks = [round(step.deck_tempo, 2) for step in steps], [round(step.tempo, 2) for step in steps]
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
