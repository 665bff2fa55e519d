"""Did the whole spectrum move by one factor at one instant? Then the deck's speed was switched.

The sound's profile, its mean power in each band, is taken over three seconds before and after, and the two are laid
over each other at every shift in log frequency. To find the shift both are straightened (each band against the octaves
beside it), so that a tape's slope and its missing treble do not count; to believe it, the profiles as they are must
agree too. Where they agree less, as at half speed, where heads lose treble and level, a switch is only suspected.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import log2

import numpy as np
from numpy.typing import NDArray

from bridge.follow.features import BANDS_PER_OCTAVE, Hop

Profile = NDArray[np.float64]

HOPS_A_BLOCK = 26
"""Hops over which a profile is taken: 0.26 s."""

_BLOCKS_KEPT = 96  # 25 s
_TURN_WITHIN = 48  # blocks, 12.5 s, in which a turn is looked for
_SIDE = 12  # blocks: 3.1 s
_APART = 2  # blocks between the sides: the motor's glide
_TURN_SIDE = 4  # blocks, 1 s, on either side of a turn
_SEEN = 3  # blocks in a row that must show it
_REST = 2 * _SIDE + _APART  # blocks after a switch, until none of them lies before it
_RANGE_DB = 45.0
FURTHEST = 14
"""Bands by which a profile is moved to both sides."""

_FACTORS = {6: 2.0, -6: 0.5, 12: 4.0, -12: 0.25}  # by bands
_BANDS_OFF = 2  # a tape's own slope and missing treble pull the best shift towards none
_LIKE = 0.5
_LIKER_THAN_UNMOVED = 0.4
_MOST_APART_DB = 2.6  # of one tape, laid over itself; two tapes of drums are 3.8 to 9 apart (measured)
_FAR_APART_DB = 3.7  # drums that play on are further apart; two tapes are 3.8 or more, so they must be far liker, too
_FAR_LIKER = 0.85  # moved, by whole octaves, than unmoved
# Chosen on two draws of the development corpus (tests/training/README.md, --seed 20 and 21).
_SUSPECTED_SEEN, _SUSPECTED_LIKER = 4, 0.3  # blocks in a row; moved than unmoved
_SUSPECTED_OFF, _SUSPECTED_APART_DB, _SUSPECTED_LOUDER_DB = 1, 4.5, 12.0
_RIDDEN_APART_DB = 3.0  # of one tape whose varispeed moved, up to 2.9 (measured, tests.bench.changes)
_MOST_LOUDER_DB = 6.0
_LEAST_SHAPE_DB = 1.5
_VARISPEED_REACH = 1.2


@dataclass(frozen=True, slots=True)
class Switch:
    """The deck's speed was switched.

    Attributes:
        frame: When, in frames of sound, to about a quarter second.
        factor: Speed after it over speed before it: 2, 0.5, 4 or 0.25.
        sure: Whether hardly anything else looks like it; else it is only suspected.
    """

    frame: int
    factor: float
    sure: bool


@dataclass(frozen=True, slots=True)
class _Laid:
    """Two profiles laid over each other where they are most alike.

    Attributes:
        bands: By which the second is moved up.
        like: How alike they are then, -1..1.
        unmoved: The same where they are not moved.
        apart_db: Standard deviation of what is between them.
        louder_db: Mean of it, whichever is louder.
    """

    bands: int
    like: float
    unmoved: float
    apart_db: float
    louder_db: float

    @property
    def factor(self) -> float:
        """Factor of a switch that explains it; 1 for none."""
        if not (self.like >= max(_LIKE, self.unmoved + _LIKER_THAN_UNMOVED) and self.louder_db <= _MOST_LOUDER_DB):
            return 1.0
        if self.apart_db <= _MOST_APART_DB:
            return _factor_near(self.bands, _BANDS_OFF)
        if self.apart_db <= _FAR_APART_DB and self.like >= self.unmoved + _FAR_LIKER:
            return _FACTORS.get(self.bands, 1.0)
        return 1.0

    @property
    def suspected_factor(self) -> float:
        """Factor of a switch that may be behind it; 1 for none."""
        is_liker = self.like >= max(_LIKE, self.unmoved + _SUSPECTED_LIKER)
        is_near = self.apart_db <= _SUSPECTED_APART_DB and self.louder_db <= _SUSPECTED_LOUDER_DB
        return _factor_near(self.bands, _SUSPECTED_OFF) if is_liker and is_near else 1.0


class _InARow:
    """Counts the looks in a row that show the same factor, and rests once there are enough."""

    def __init__(self, needed: int) -> None:
        self._needed = needed
        self._last, self._count, self._rest = 1.0, 0, 0

    def see(self, factor: float, *, waits: bool = False) -> bool:
        """Take in what one more look shows, 1 for nothing, and return whether that makes enough, unless it waits."""
        if self._rest:
            self._rest -= 1
            return False
        self._count = self._count + 1 if factor == self._last else 1
        self._last = factor
        if factor == 1.0 or self._count < self._needed or waits:
            return False
        self.rest()
        return True

    def rest(self) -> None:
        """Look at nothing until no block from before this one is looked at any more."""
        self._last, self._count, self._rest = 1.0, 0, _REST - 1


class SpeedWatch:
    """Keeps the profile of the last 25 seconds and finds switches of speed in it."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Begin anew: what comes has nothing to do with what was."""
        self._sum: Profile | None = None
        self._hops = 0
        self._blocks: deque[Profile] = deque(maxlen=_BLOCKS_KEPT)
        self._ends: deque[int] = deque(maxlen=_BLOCKS_KEPT)
        self._sure, self._suspected = _InARow(_SEEN), _InARow(_SUSPECTED_SEEN)

    def hear(self, hop: Hop) -> Switch | None:
        """Take in one hop, and return the switch that it gave away, if any."""
        if self._sum is None:
            self._sum = hop.power.copy()
        else:
            self._sum += hop.power
        self._hops += 1
        if self._hops < HOPS_A_BLOCK:
            return None
        self._blocks.append(self._sum / HOPS_A_BLOCK)
        self._ends.append(hop.frame)
        self._sum, self._hops = None, 0
        return self._look()

    def profile(self, blocks_back: int = 0, blocks: int = _SIDE) -> Profile | None:
        """Return the profile in dB of so many blocks (0.26 s), ending some ago; None before there are as many."""
        end = len(self._blocks) - blocks_back
        return None if end < blocks else _levels(np.mean(list(self._blocks)[end - blocks : end], axis=0))

    def sharpest_turn(self) -> int:
        """Return the frame at which the profile turned most in the last 12 s; 0 before there are two seconds.

        It is the place that leaves the least scatter of the blocks about the two means beside it.
        """
        blocks, ends = list(self._blocks)[-_TURN_WITHIN:], list(self._ends)[-_TURN_WITHIN:]
        levels = np.array([_levels(block) for block in blocks])
        at = np.arange(_TURN_SIDE, len(levels) - _TURN_SIDE + 1)
        if not len(at):
            return 0
        below = np.cumsum(levels, axis=0)
        before = below[at - 1] / at[:, None]
        after = (below[-1] - below[at - 1]) / (len(levels) - at)[:, None]
        gained = at * (len(levels) - at) * ((before - after) ** 2).sum(axis=1)
        return ends[int(at[np.argmax(gained)]) - 1]

    def _look(self) -> Switch | None:
        before, after = self.profile(_SIDE + _APART), self.profile()
        if before is None or after is None:
            return None
        laid = _laid(before, after)
        sure, suspected = (1.0, 1.0) if laid is None else (laid.factor, laid.suspected_factor)
        is_sure = self._sure.see(sure)
        is_suspected = self._suspected.see(suspected, waits=sure != 1.0)  # it may be sure within the next looks
        if is_sure:
            self._suspected.rest()
        if not (is_sure or is_suspected):
            return None
        return Switch(self._when(before, after), sure if is_sure else suspected, is_sure)

    def _when(self, before: Profile, after: Profile) -> int:
        """Return the end of the last block that looks more like before than like after."""
        recent = list(self._blocks)[-2 * _SIDE - _APART :]
        towards = straightened(before) - straightened(after)
        nearer = np.array([float(straightened(_levels(block)) @ towards) for block in recent])
        best = int(np.argmax(np.cumsum(nearer)))
        return list(self._ends)[best - len(recent)]


def straightened(levels: Profile) -> Profile:
    """Return a profile with each band measured against the octave below and the octave above it.

    Args:
        levels: Shape (bands,), in dB.
    """
    width = 2 * BANDS_PER_OCTAVE + 1
    below, above = np.full(BANDS_PER_OCTAVE, levels[0]), np.full(BANDS_PER_OCTAVE, levels[-1])
    around = np.convolve(np.concatenate([below, levels, above]), np.full(width, 1.0 / width), mode="valid")
    return levels - around


def likenesses(before: Profile, after: Profile) -> Profile:
    """Return the correlations, -1..1, of two profiles, ``after`` moved down by each shift in bands.

    Args:
        before: Shape (bands,).
        after: Shape (bands,).

    Returns:
        Shape (2 * FURTHEST + 1,): at -FURTHEST, ..., FURTHEST bands; of the bands that lie over each other.
    """
    aside = np.zeros(FURTHEST)
    ones = np.ones(len(before))
    at = np.arange(2 * FURTHEST + 1)[:, None] + np.arange(len(before))
    there, moved = (np.concatenate([aside, bands, aside])[at] for bands in (ones, after))  # a shift a row
    count = there @ ones
    a, b = there @ before / count, moved @ ones / count
    together = moved @ before / count - a * b
    spread_a, spread_b = there @ before**2 / count - a * a, (moved * moved) @ ones / count - b * b
    size = np.sqrt(np.maximum(spread_a * spread_b, 0.0))  # below 0 by rounding
    alike: Profile = np.divide(together, size, out=np.zeros(len(size)), where=size > 0)
    return alike


def factor_between(before: Profile, after: Profile) -> float:
    """Return the factor by which the speed was switched between two profiles in dB; 1 where it was not."""
    laid = _laid(before, after)
    return 1.0 if laid is None else laid.factor


def _laid(before: Profile, after: Profile) -> _Laid | None:
    """Return how two profiles lie over each other; None where there is nothing to tell them by."""
    bare, bare_after = straightened(before), straightened(after)
    if min(float(np.std(bare)), float(np.std(bare_after))) < _LEAST_SHAPE_DB:
        return None
    alike = likenesses(bare, bare_after)
    best = int(alike.argmax()) - FURTHEST
    between = before[max(0, -best) : len(before) - max(0, best)] - after[max(0, best) : len(after) + min(0, best)]
    like, unmoved = float(alike[FURTHEST + best]), float(alike[FURTHEST])
    return _Laid(best, like, unmoved, float(np.std(between)), abs(float(np.mean(between))))


def _factor_near(bands: int, off: int) -> float:
    return next((factor for octave, factor in _FACTORS.items() if abs(bands - octave) <= off), 1.0)


def same_sound(before: Profile, after: Profile, factor: float) -> bool:
    """Return whether two profiles in dB can be one tape, now ``factor`` times as fast by its varispeed."""
    if not 1 / _VARISPEED_REACH <= factor <= _VARISPEED_REACH:
        return False
    places = np.arange(len(before), dtype=np.float64)
    moved = np.interp(places - BANDS_PER_OCTAVE * log2(factor), places, before)
    return float(np.std(moved - after)) <= _RIDDEN_APART_DB


def _levels(power: Profile) -> Profile:
    levels = 10.0 * np.log10(np.maximum(power, 1e-12))
    lifted: Profile = np.maximum(levels, levels.max() - _RANGE_DB)
    return lifted
