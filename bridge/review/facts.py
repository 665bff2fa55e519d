"""What a take tells when its facts are put in order: states, tempo curves, pedals, changes, and how well it went.

Times are seconds since the take began (`take_began`), tempos bpm.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import log2
from statistics import median
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from bridge.events import (
    BeatPlaced,
    DeckChanged,
    Fact,
    FollowerChanged,
    LevelHeard,
    ListenerLost,
    ListenerStarted,
    MarkPlaced,
    PedalTold,
    TakeEnded,
    TakeStarted,
)
from bridge.events_hand import BeatRecounted
from bridge.events_host import DryTapTurned
from bridge.review.drift import parts_of
from bridge.review.echoes import echoes_of
from bridge.review.hands import counts_of, cues_of, deeds_of
from bridge.review.loops import loops_of
from bridge.review.story import Change, ChangeKind, DeckStory, Mark, PedalStory, Piece, Step, Story, Stretch
from bridge.units import period_s

NOT_HEARD = "not heard"
"""State of every deck while the listener was gone."""

GAP_BEATS = 2.5
"""A curve is broken where the next beat is further away than this many beats."""

STEP_RATIO = 1.08
"""A curve is broken where the tempo jumps by more than this from beat to beat: it was nowhere between."""

STEADY_S = 60.0
"""A tempo's reference is the median of the first unbroken minute, if there is one."""

FEW_BEATS = 8
"""Otherwise the median of so many first beats; the end of a piece is the median of its last ones."""

SETTLES_S = 4.0
"""A tempo that was just found settles for so long: neither the tape nor the hand moved it."""

OCTAVE = 0.1
"""A run at twice or half the tempo of the one before, give or take so many octaves, is only counted otherwise."""

RUNNING_S = (-0.5, 2.0)
"""A deck heard to start this many seconds after a listener did was running before: only its hearing began."""

TAP_SILENT_S = 11.5
"""A dry tap that is given up fell silent at most so many seconds before, which looks like a stop of its deck."""

Some = TypeVar("Some", bound=Fact)


def take_began(facts: Iterable[Fact]) -> float:
    """Return the host time at which a take began: its first fact's, or its earliest's where that one is lost."""
    started = _of(TakeStarted, facts)
    return started[0].at if started else min((fact.at for fact in facts), default=0.0)


def tell(facts: Sequence[Fact]) -> Story:
    """Return what the facts of a take tell.

    Args:
        facts: In any order; none at all makes an empty story.
    """
    facts = sorted(facts, key=lambda fact: fact.at)
    began = take_began(facts)
    started, ended = _of(TakeStarted, facts), _of(TakeEnded, facts)
    end = ended[-1].at if ended else max((fact.at for fact in facts), default=began)
    told = _of(PedalTold, facts)
    names = [deck for start in started for deck in start.decks]
    names += [fact.deck for fact in facts if isinstance(fact, BeatPlaced | FollowerChanged | LevelHeard | DeckChanged)]
    decks = {name: _deck(name, facts, began, end) for name in dict.fromkeys(names)}
    pedals = dict.fromkeys([pedal for start in started for pedal in start.pedals] + [order.pedal for order in told])
    taps, times = counts_of(facts)
    pedals = dict.fromkeys([*pedals, *taps, *times])
    stories = tuple(
        _pedal(name, [o for o in told if o.pedal == name], decks, began, (taps.get(name, 0), times.get(name, 0)))
        for name in pedals
    )
    return Story(
        name=started[0].name if started else "",
        began=began,
        wall=started[0].wall if started else None,
        length_s=max(0.0, end - began),
        ended=ended[-1].why if ended else None,
        decks=tuple(decks.values()),
        pedals=stories,
        changes=_changes(facts, began),
        marks=tuple(Mark(seconds=m.at - began, wall=m.wall, text=m.text) for m in _of(MarkPlaced, facts)),
        deeds=deeds_of(facts, began),
        cues=cues_of(facts, began),
        loops=loops_of(facts, {p.name: decks[p.deck].beats for p in stories if p.deck in decks}, began, end),
    )


def _of(kind: type[Some], facts: Iterable[Fact]) -> list[Some]:
    return [fact for fact in facts if isinstance(fact, kind)]


def _deck(name: str, facts: Sequence[Fact], began: float, end: float) -> DeckStory:
    stretches = _stretches(name, facts, began, end)
    beats = [fact for fact in _of(BeatPlaced, facts) if fact.deck == name]
    late = [(fact.at, fact.known) for fact in _of(DeckChanged, facts) if fact.deck == name]  # beats are the old, then
    recounted = [fact.at for fact in _of(BeatRecounted, facts) if fact.deck == name]
    changed = sorted([*(known for _, known in late), *recounted])
    runs = _runs(beats, stretches, changed, began)
    followed = sum(s.end_s - s.begin_s for s in stretches if s.state == "following")
    return DeckStory(
        name=name,
        stretches=tuple(stretches),
        beats=tuple(beats),
        runs=tuple(map(tuple, runs)),
        pieces=_pieces(runs, changed, late, began),
        levels=tuple((fact.at - began, fact.level_db) for fact in _of(LevelHeard, facts) if fact.deck == name),
        share_following=followed / (end - began) if end > began else 0.0,
    )


def _stretches(deck: str, facts: Sequence[Fact], began: float, end: float) -> list[Stretch]:
    turns: list[tuple[float, str]] = []
    for fact in facts:
        if isinstance(fact, FollowerChanged) and fact.deck == deck:
            if not turns:
                turns.append((began, fact.was))
            turns.append((fact.at, fact.now))
        elif isinstance(fact, ListenerLost):
            turns.append((fact.at, NOT_HEARD))
        elif isinstance(fact, ListenerStarted) and fact.start > 1:
            turns.append((fact.at, "idle"))  # its followers begin anew
    if not turns or turns[0][0] > began:
        turns.insert(0, (began, "idle"))
    stretches: list[Stretch] = []
    for (at, state), (until, _) in pairwise([*turns, (end, "")]):
        begin_s, end_s = max(0.0, at - began), min(until, end) - began
        if stretches and stretches[-1].state == state:
            begin_s = stretches.pop().begin_s
        if end_s > begin_s:
            stretches.append(Stretch(begin_s=begin_s, end_s=end_s, state=state))
    return stretches


def _runs(
    beats: Sequence[BeatPlaced], stretches: Sequence[Stretch], changed: Sequence[float], began: float
) -> list[list[BeatPlaced]]:
    """Split beats where some are missing, where the tempo jumps, and where the deck was changed by hand.

    Beats that a follower only went on counting, without hearing them, are left out.
    """
    begins = [stretch.begin_s for stretch in stretches]
    runs: list[list[BeatPlaced]] = []
    for beat in beats:
        known_in = bisect_right(begins, beat.known - began) - 1
        if known_in >= 0 and stretches[known_in].state == "holding":
            continue
        if runs and _goes_on(runs[-1][-1], beat, changed):
            runs[-1].append(beat)
        else:
            runs.append([beat])
    return runs


def _goes_on(before: BeatPlaced, beat: BeatPlaced, changed: Sequence[float]) -> bool:
    near = beat.at - before.at <= GAP_BEATS * period_s(before.tempo)
    same = bisect_right(changed, before.known) == bisect_right(changed, beat.known)
    return near and not jumps(before, beat) and same and beat.index == before.index + 1


def jumps(before: BeatPlaced, beat: BeatPlaced) -> bool:
    """Return whether the tempo jumps from one beat to the next, by more than `STEP_RATIO`."""
    return not 1 / STEP_RATIO <= beat.tempo / before.tempo <= STEP_RATIO


def _pieces(
    runs: Sequence[Sequence[BeatPlaced]], changed: Sequence[float], late: Sequence[tuple[float, float]], began: float
) -> tuple[Piece, ...]:
    pieces: list[list[Sequence[BeatPlaced]]] = []
    for run in runs:
        if pieces and _same_piece(pieces[-1][-1], run, changed):
            pieces[-1].append(run)
        else:
            pieces.append([run])
    return tuple(_piece(piece, late, began) for piece in pieces)


def _same_piece(before: Sequence[BeatPlaced], run: Sequence[BeatPlaced], changed: Sequence[float]) -> bool:
    """Return whether a run is of the tape, the speed and the octave of the one before."""
    last, first = (median(beat.tempo for beat in beats) for beats in (before[-FEW_BEATS:], run[:FEW_BEATS]))
    same = bisect_right(changed, before[0].known) == bisect_right(changed, run[0].known)
    return same and abs(abs(log2(first / last)) - 1.0) > OCTAVE


def _piece(runs: Sequence[Sequence[BeatPlaced]], late: Sequence[tuple[float, float]], began: float) -> Piece:
    beats = [beat for run in runs for beat in run]
    settled = [beat for run in runs for beat in run if beat.known >= run[0].known + SETTLES_S]
    settled = [beat for beat in settled if not any(at <= beat.at and beat.known < known for at, known in late)]
    steady = next((run for run in runs if run[-1].at - run[0].at >= STEADY_S), None)
    first = [beat for beat in steady if beat.at <= steady[0].at + STEADY_S] if steady else beats[:FEW_BEATS]
    tempos = [beat.tempo for beat in beats]
    reference = median(beat.tempo for beat in first)
    return Piece(
        begin_s=beats[0].at - began,
        end_s=beats[-1].at - began,
        reference=reference,
        lowest=min(tempos),
        highest=max(tempos),
        last=median(tempos[-FEW_BEATS:]),
        parts=parts_of(*_curve(settled, began), reference),
    )


def _curve(beats: Sequence[BeatPlaced], began: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    seconds = np.array([beat.at - began for beat in beats])
    later = np.diff(np.maximum.accumulate(seconds), prepend=-np.inf) > 0  # a restarted listener may go back
    return seconds[later], np.array([beat.tempo for beat in beats])[later]


def _pedal(
    name: str, told: Sequence[PedalTold], decks: dict[str, DeckStory], began: float, got: tuple[int, int]
) -> PedalStory:
    steps = tuple(
        Step(seconds=o.at - began, deck_tempo=o.tempo / o.ratio, tempo=o.tempo, ratio=o.ratio, why=o.why) for o in told
    )
    deck = told[-1].deck if told else ""
    runs = decks[deck].runs if deck in decks else ()
    echoes = echoes_of(steps, runs, began)
    return PedalStory(name=name, deck=deck, steps=steps, echoes=echoes, taps=got[0], times=got[1])


def _changes(facts: Sequence[Fact], began: float) -> tuple[Change, ...]:
    listening = [fact.at for fact in _of(ListenerStarted, facts)]
    given_up = [fact for fact in _of(DryTapTurned, facts) if not fact.is_heard]
    return tuple(
        _change(fact, listening, [tap.at for tap in given_up if tap.deck == fact.deck], began)
        for fact in _of(DeckChanged, facts)
    )


def _change(fact: DeckChanged, listening: Sequence[float], given_up: Sequence[float], began: float) -> Change:
    before, after = fact.tempo_before, fact.tempo_after
    return Change(
        seconds=fact.at - began,
        deck=fact.deck,
        kind=_kind(fact, listening, given_up),
        before=before,
        after=after,
        percent=100.0 * (after / before - 1.0) if before is not None and after is not None else None,
        noticed_after_s=max(0.0, fact.known - fact.at),
        sure=fact.sure,
    )


def _kind(fact: DeckChanged, listening: Sequence[float], given_up: Sequence[float]) -> ChangeKind:
    """Return what happened: where only its hearing began or ended, a deck was neither started nor stopped."""
    low, high = RUNNING_S
    if fact.change == "started" and any(low <= fact.at - at <= high for at in given_up):
        return "heard by its channels"
    if fact.change == "started" and any(low <= fact.at - at <= high for at in listening):
        return "already running"
    if fact.change == "stopped" and any(0.0 <= at - fact.at <= TAP_SILENT_S for at in given_up):
        return "dry tap fell silent"
    return fact.change
