"""Which decks could be heard when, from the levels that the journal keeps. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bridge.review.story import DeckStory

QUIET_DB = -60.0
"""A deck below this level is not audible."""

COVERED_DB = 24.0
"""Nor is one that is this far below the loudest."""

SETTLED_S = 5
"""What changes for less than half of so many seconds is no change."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Audible:
    """A time in which the same decks could be heard.

    Attributes:
        begin_s: Its begin.
        end_s: Its end.
        decks: Their names, in the rig's order; none at all is silence.
    """

    begin_s: float
    end_s: float
    decks: tuple[str, ...]


def audible(decks: Sequence[DeckStory], length_s: float) -> tuple[Audible, ...]:
    """Return which decks could be heard, without a gap from the begin to the end of the take.

    Args:
        decks: Decks with their levels.
        length_s: Length of the take in seconds.
    """
    seconds = int(np.ceil(length_s))
    if seconds < 1 or not decks:
        return ()
    levels = np.stack([_each_second(deck.levels, seconds) for deck in decks])
    heard = (levels > QUIET_DB) & (levels > levels.max(axis=0) - COVERED_DB)
    settled = np.stack([_settled(line) for line in heard])
    changes = np.flatnonzero((settled[:, 1:] != settled[:, :-1]).any(axis=0)) + 1
    edges = [0, *map(int, changes), seconds]
    return tuple(
        Audible(
            begin_s=float(begin),
            end_s=min(float(end), length_s),
            decks=tuple(deck.name for deck, on in zip(decks, settled[:, begin], strict=True) if on),
        )
        for begin, end in pairwise(edges)
    )


def _each_second(levels: Sequence[tuple[float, float]], seconds: int) -> NDArray[np.float64]:
    """Return one level a second; where none was written down, the deck was not heard."""
    line = np.full(seconds, -120.0)
    for at, level in levels:
        second = max(0, int(at - 0.5))  # a level tells of the second before it
        if second < seconds:
            line[second] = max(line[second], level)
    return line


def _settled(heard: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what most of the seconds around each one say."""
    half = SETTLED_S // 2
    padded = np.pad(heard, half, mode="edge")
    votes = np.convolve(padded.astype(int), np.ones(SETTLED_S, int), mode="valid")
    return np.asarray(votes > half)
