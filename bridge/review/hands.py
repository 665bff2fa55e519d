"""What pedals and decks went through besides the clock: hands, feet, cues, taps, delay times. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from bridge.events import Fact
from bridge.events_foot import AllQuieted, BarCounted, CueFired
from bridge.events_hand import (
    BeatRecounted,
    BeatShifted,
    BeatTapped,
    HandsOff,
    HandsOn,
    PedalTurned,
    RatioFolded,
    StepAllowed,
    TapeChosen,
    TempoKept,
    TempoLetGo,
    TempoNudged,
    TempoTold,
)
from bridge.events_sent import DelayTimeTold, TapsSent
from bridge.review.story import Deed

TAPS_S = 3.0
"""Taps of a foot that lie no further apart are told as one deed."""

WORDS: dict[type[Fact], str] = {
    HandsOff: "hands off: its clock ended, its knobs count",
    HandsOn: "told its tempo again",
    TempoKept: "its pedals keep their tempo, whatever is heard",
    TempoLetGo: "its pedals follow again what is heard",
    StepAllowed: "a step of the tape was let through",
    BeatShifted: "its beats were moved by half a beat",
    BarCounted: "the first beat of a bar was shown",
}


def deeds_of(facts: Sequence[Fact], began: float) -> tuple[Deed, ...]:
    """Return what hand and foot did to pedals and decks, and where ratios were folded, in order of time."""
    deeds = [Deed(seconds=fact.at - began, whose=whose, what=what) for fact, whose, what in _told(facts)]
    return tuple(sorted([*deeds, *_taps(facts, began)], key=lambda deed: deed.seconds))


def cues_of(facts: Sequence[Fact], began: float) -> tuple[Deed, ...]:
    """Return which cues were fired, and what each had waited for, in order of time."""
    return tuple(Deed(seconds=f.at - began, whose=f.cue, what=f.why) for f in facts if isinstance(f, CueFired))


def _told(facts: Sequence[Fact]) -> Iterator[tuple[Fact, str, str]]:
    for fact in facts:
        if isinstance(fact, HandsOff | HandsOn | StepAllowed):
            yield fact, fact.pedal, WORDS[type(fact)]
        elif isinstance(fact, TempoKept | TempoLetGo | BeatShifted | BarCounted):
            yield fact, fact.deck, WORDS[type(fact)]
        elif isinstance(fact, RatioFolded):
            yield fact, fact.pedal, f"clock beats a beat {fact.ratio:.4g} for {fact.asked:.4g}: {fact.why}"
        elif isinstance(fact, AllQuieted):
            yield fact, "all", "held notes and contacts were ended, and all loopers closed"
        else:
            yield from _said(fact)


def _said(fact: Fact) -> Iterator[tuple[Fact, str, str]]:
    """What needs a number or a name to be told."""
    match fact:
        case TempoNudged():
            moved = f"{fact.percent:+.1f}".replace("-", "−")
            yield fact, fact.deck, f"its pedals were moved by {moved}\xa0%, and keep that tempo"
        case PedalTurned():
            yield fact, fact.pedal, f"listens to {fact.deck} from now on"
        case BeatRecounted():
            yield fact, fact.deck, f"its beat was counted {'twice' if fact.factor > 1 else 'half'} as fast"
        case TapeChosen():
            tempo = "" if fact.tempo is None else f", which plays at {fact.tempo:.1f}\xa0bpm"
            yield fact, fact.deck, f"the tape in it is {fact.tape}{tempo}"
        case TempoTold():
            yield fact, fact.deck, f"said to play at about {fact.tempo:.1f}\xa0bpm"


def _taps(facts: Sequence[Fact], began: float) -> Iterator[Deed]:
    tapped: dict[str, list[float]] = {}
    for fact in [fact for fact in facts if isinstance(fact, BeatTapped)]:
        times = tapped.get(fact.deck, [])
        if times and fact.at - times[-1] > TAPS_S:
            yield _tap(fact.deck, times, began)
            times = []
        tapped[fact.deck] = [*times, fact.at]
    for deck, times in tapped.items():
        yield _tap(deck, times, began)


def _tap(deck: str, times: Sequence[float], began: float) -> Deed:
    often = {1: "once", 2: "twice"}.get(len(times), f"{len(times)} times")
    return Deed(seconds=times[0] - began, whose=deck, what=f"its beat was tapped {often}")


def counts_of(facts: Sequence[Fact]) -> tuple[Mapping[str, int], Mapping[str, int]]:
    """Return for each pedal how many taps it got, and how often it was told a delay time."""
    taps: Counter[str] = Counter()
    times: Counter[str] = Counter()
    for fact in facts:
        if isinstance(fact, TapsSent):
            taps[fact.pedal] += fact.count
        elif isinstance(fact, DelayTimeTold):
            times[fact.pedal] += 1
    return taps, times
