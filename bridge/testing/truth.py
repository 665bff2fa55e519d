"""What a simulated set hides: where every beat truly fell, and what the hands truly did.

Times are seconds from the first frame of the sound. The bridge never sees any of this; `bridge.testing.score` does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.events import DeckChangeKind
from bridge.rig import Pedal

ChangeKind = DeckChangeKind | Literal["beat gone", "beat back"]
"""What truly happened to a deck."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that the hand, or the tape, did.

    Attributes:
        time_s: When it began.
        kind: What it was.
        tempo_before: True tempo before it in bpm; None where there was no beat.
        tempo_after: True tempo once it is done, in bpm; None where there is no beat.
    """

    time_s: float
    kind: ChangeKind
    tempo_before: float | None
    tempo_after: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """A time without a break in which one tape truly had a beat.

    Attributes:
        begin_s: Its first moment.
        end_s: Its last moment.
        knots_s: Shape (knots,), strictly increasing, from ``begin_s`` to ``end_s``.
        count: Shape (knots,), strictly increasing: beats of the tape passed at each knot; whole at a beat.
        tempo: Shape (knots,): true tempo at each knot in bpm.

    Raises:
        ValueError: The arrays do not fit together, or do not increase.
    """

    begin_s: float
    end_s: float
    knots_s: NDArray[np.float64]
    count: NDArray[np.float64]
    tempo: NDArray[np.float64]

    def __post_init__(self) -> None:
        if not (self.knots_s.ndim == 1 and self.knots_s.shape == self.count.shape == self.tempo.shape):
            raise ValueError("knots_s, count and tempo must be of one shape (knots,)")
        if not ((np.diff(self.knots_s) > 0).all() and (np.diff(self.count) > 0).all()):  # NaN fails too
            raise ValueError("knots_s and count must strictly increase")
        if not (self.begin_s < self.end_s and self.knots_s[0] <= self.begin_s and self.end_s <= self.knots_s[-1]):
            raise ValueError(f"knots must span {self.begin_s!r}..{self.end_s!r} s")

    def beats_s(self) -> NDArray[np.float64]:
        """Return when each of its beats fell, strictly increasing."""
        first, last = np.interp([self.begin_s, self.end_s], self.knots_s, self.count)
        return np.asarray(np.interp(np.arange(np.ceil(first), np.floor(last) + 1), self.count, self.knots_s))

    def later_s(self, time_s: ArrayLike, beats: float) -> NDArray[np.float64]:
        """Return when the tape was ``beats`` beats further than at ``time_s``; NaN outside this stretch."""
        count = (
            np.interp(np.asarray(time_s, dtype=np.float64), self.knots_s, self.count, left=np.nan, right=np.nan) + beats
        )
        later = np.interp(count, self.count, self.knots_s, left=np.nan, right=np.nan)
        return np.where((later >= self.begin_s) & (later <= self.end_s), later, np.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeckTruth:
    """What truly happened on one deck.

    Attributes:
        stretches: The times with a beat, in order, apart from each other; empty for a deck that never had one.
        changes: What was done to it, in order.
    """

    stretches: tuple[Stretch, ...]
    changes: tuple[Change, ...]

    def beats_s(self) -> NDArray[np.float64]:
        """Return when every beat fell, strictly increasing."""
        return np.concatenate([np.empty(0), *(stretch.beats_s() for stretch in self.stretches)])

    def tempo_at(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Return the true tempo in bpm, wow and flutter included; NaN where the deck had no beat."""
        times = np.asarray(time_s, dtype=np.float64)
        tempo = np.full(times.shape, np.nan)
        for stretch in self.stretches:
            inside = (times >= stretch.begin_s) & (times <= stretch.end_s)
            tempo = np.where(inside, np.interp(times, stretch.knots_s, stretch.tempo), tempo)
        return tempo

    def later_s(self, time_s: ArrayLike, beats: float) -> NDArray[np.float64]:
        """Return when the tape was ``beats`` beats further than at ``time_s``; NaN where the beat had ended by then."""
        times = np.asarray(time_s, dtype=np.float64)
        later = np.full(times.shape, np.nan)
        for stretch in self.stretches:
            inside = (times >= stretch.begin_s) & (times <= stretch.end_s)
            later = np.where(inside, stretch.later_s(times, beats), later)
        return later


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """Everything that a set hides.

    Attributes:
        decks: Each deck by its name, in the rig's order.
        pedals: The pedals that the set is played for.
        bed_s: First and last moment of the bed alone, before any beat.
        length_s: Length of the set.
    """

    decks: dict[str, DeckTruth]
    pedals: tuple[Pedal, ...]
    bed_s: tuple[float, float]
    length_s: float
