"""How well a pedal's echoes sat on its deck's beat, from what it was told and what was heard. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import inf

import numpy as np
from numpy.typing import NDArray

from bridge.events import BeatPlaced
from bridge.review.story import CatchUp, Echoes, Step

CLOSE = 0.02
"""A pedal within this share of its deck's tempo is with it; further away it has to catch up."""

SAME_S = 3.0
"""Two times of being away that are closer than this are one."""


def echoes_of(steps: Sequence[Step], runs: Sequence[Sequence[BeatPlaced]], began: float) -> Echoes | None:
    """Return how a pedal kept up with its deck while that was followed.

    The echo of a beat should fall on the beat (or its part, by the ratio) after it. It falls later by the difference of
    the two periods: that is the error, in ms, and in beats of the deck.

    Args:
        steps: What the pedal was told, in order of time.
        runs: Beats of its deck in unbroken runs.
        began: Host time at which the take began.

    Returns:
        None where no beat was heard, or the pedal was told nothing.
    """
    parts = list(_parts(steps, runs, began))
    if not parts:
        return None
    table = np.array([(lasts, off, error_ms, beats) for _, lasts, off, error_ms, beats in parts])
    lasts, off = table[:, 0], np.abs(table[:, 1])
    whole = float(lasts.sum())
    return Echoes(
        within_1=float(lasts[off <= 0.01].sum()) / whole,
        within_2=float(lasts[off <= CLOSE].sum()) / whole,
        within_5=float(lasts[off <= 0.05].sum()) / whole,
        usual_ms=_share_of(np.abs(table[:, 2]), lasts, 0.5),
        worst_ms=_share_of(np.abs(table[:, 2]), lasts, 0.95),
        usual_beats=_share_of(np.abs(table[:, 3]), lasts, 0.5),
        worst_beats=_share_of(np.abs(table[:, 3]), lasts, 0.95),
        catch_ups=tuple(_catch_ups([(at, at + length, away) for at, length, away, _, _ in parts])),
    )


def _parts(
    steps: Sequence[Step], runs: Sequence[Sequence[BeatPlaced]], began: float
) -> Iterator[tuple[float, float, float, float, float]]:
    """Yield for each beat: when, how long, how far the pedal is off (share, ms, beats).

    A beat before the pedal was told anything counts as off without end, with no echo to measure.
    """
    if not steps:
        return
    begins = [step.seconds for step in steps]
    for beat, after in (pair for run in runs for pair in pairwise(run)):
        lasts = after.at - beat.at
        told = bisect_right(begins, (beat.at + after.at) / 2 - began) - 1
        if told < 0:
            yield beat.at - began, lasts, inf, 0.0, 0.0
            continue
        step = steps[told]
        beats = (beat.tempo / step.deck_tempo - 1.0) / step.ratio
        yield beat.at - began, lasts, step.deck_tempo / beat.tempo - 1.0, 60_000.0 / beat.tempo * beats, beats


def _catch_ups(parts: Sequence[tuple[float, float, float]]) -> Iterator[CatchUp]:
    """Yield each time in which the pedal was away, from its first beat off to the first one back."""
    away: CatchUp | None = None
    for begin, end, off in parts:
        if abs(off) <= CLOSE or off == inf:
            continue
        if away is not None and begin - away.end_s <= SAME_S:
            worst = max(away.worst_percent, 100.0 * off, key=abs)
            away = CatchUp(begin_s=away.begin_s, end_s=end, worst_percent=worst)
            continue
        if away is not None:
            yield away
        away = CatchUp(begin_s=begin, end_s=end, worst_percent=100.0 * off)
    if away is not None:
        yield away


def _share_of(values: NDArray[np.float64], lasts: NDArray[np.float64], share: float) -> float:
    """Return the value that holds or is undercut for this share of the time."""
    order = np.argsort(values)
    reached = np.cumsum(lasts[order])
    return float(values[order][min(len(order) - 1, int(np.searchsorted(reached, share * reached[-1])))])
