"""What moved a tape's tempo, taken apart: slow drift, the hand on the varispeed, steps, and the fast rest. Pure.

The parts add up to the whole. Deviations are in cents against a reference; 1 % is about 17 cents.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

SLOW_HZ = 0.1
"""Slow drift is what lies below: a curve at this rate is halved in power."""

SLOW_DEVIATION_S = sqrt(log(2.0)) / (2.0 * pi * SLOW_HZ)
"""Standard deviation of the Gaussian that does so: its response is exp(-(2 pi f deviation)^2 / 2)."""

GRID_S = 0.25
"""The curve is looked at so often."""

MOVE_CENTS = 12.0
"""A move smaller than this (0.7 %) is no move of a hand, nor a step."""

MOVE_CENTS_A_S = 4.0
"""A tape alone drifts slower than this (0.23 % a second) for as long as a move takes."""

STEP_S = 2.0
"""A move that takes no longer is a step, as far as single beats can tell; a longer one is the hand's varispeed."""

MOVE_WOWS = 3.0
"""A move is at least so many times as large as the usual swing of wow, which is no move of a hand either."""

LONGEST_MOVE_S = 30.0
"""What goes on for longer is drift, however fast."""

_SMOOTH_S = 0.5  # what one beat alone does is no move


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """The tempo was moved, and stayed there.

    Attributes:
        begin_s: When it began.
        end_s: When it was done; a step is done at once.
        cents: How far: above 0 is faster.
        by: "varispeed" for a glide of the hand, "step" for a jump.
    """

    begin_s: float
    end_s: float
    cents: float
    by: str

    @property
    def percent(self) -> float:
        """How far, in per cent of the tempo before."""
        return percent_of(self.cents)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parts:
    """A tempo curve taken apart. All curves have the shape (n,) of ``seconds`` and are in cents.

    Attributes:
        seconds: When.
        slow: Drift below `SLOW_HZ`, of a tape left alone.
        moved: Sum of the moves so far.
        fast: All the rest: wow, and how the beats were placed.
        moves: Moves in order of time.
    """

    seconds: NDArray[np.float64]
    slow: NDArray[np.float64]
    moved: NDArray[np.float64]
    fast: NDArray[np.float64]
    moves: tuple[Move, ...]

    @property
    def slow_range(self) -> tuple[float, float]:
        """Lowest and highest slow drift."""
        return float(self.slow.min()), float(self.slow.max())

    @property
    def fast_rms(self) -> float:
        """Root mean square of the fast rest."""
        return float(np.sqrt(np.mean(self.fast**2)))


def parts_of(seconds: NDArray[np.float64], tempos: NDArray[np.float64], reference: float) -> Parts | None:
    """Take a tempo curve apart.

    Args:
        seconds: When each tempo was heard, shape (n,), increasing.
        tempos: In bpm, shape (n,), above 0.
        reference: Tempo that counts as 0 cents, above 0.

    Returns:
        None for fewer than 4 beats, or less than 2 s: nothing can be told apart in them.
    """
    if len(seconds) < 4 or not seconds[-1] - seconds[0] >= 2.0:  # NaN too
        return None
    grid = np.arange(seconds[0], seconds[-1], GRID_S)
    curve = np.interp(grid, seconds, 1200.0 * np.log2(tempos / reference))
    moves = _moves(grid, curve)
    moved = np.zeros(len(grid))
    for move in moves:
        middle = [move.begin_s, move.end_s] if move.by == "varispeed" else [move.begin_s, move.begin_s + 1e-9]
        moved += np.interp(grid, middle, [0.0, move.cents])
    alone = curve - moved
    slow = smoothed(alone, SLOW_DEVIATION_S / GRID_S)
    return Parts(seconds=grid, slow=slow, moved=moved, fast=alone - slow, moves=moves)


def percent_of(interval: float) -> float:
    """Return an interval in cents as a change of speed in per cent."""
    return float(100.0 * (2.0 ** (interval / 1200.0) - 1.0))


def smoothed(curve: NDArray[np.float64], deviation: float) -> NDArray[np.float64]:
    """Return a curve under a running Gaussian; its ends are mirrored, point by point, so that a slope goes on.

    Args:
        curve: Shape (n,), n of 1 or more.
        deviation: Standard deviation of the Gaussian, in points.
    """
    reach = min(len(curve) - 1, int(np.ceil(4.0 * deviation)))
    if reach < 1:
        return curve.copy()
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / deviation) ** 2)
    before = 2.0 * curve[0] - curve[reach:0:-1]
    after = 2.0 * curve[-1] - curve[-2 : -reach - 2 : -1]
    return np.convolve(np.concatenate([before, curve, after]), weights / weights.sum(), mode="valid")


def _moves(grid: NDArray[np.float64], curve: NDArray[np.float64]) -> tuple[Move, ...]:
    """Find where the tempo went one way, faster than a tape drifts, far enough, and not for ever."""
    smooth = smoothed(curve, _SMOOTH_S / GRID_S)
    slope = np.gradient(smooth, GRID_S)
    fast = np.abs(slope) > MOVE_CENTS_A_S
    way = np.where(fast, np.sign(slope), 0.0)
    least = max(MOVE_CENTS, MOVE_WOWS * _usual_swing(curve))
    edges = np.flatnonzero(np.diff(np.concatenate([[0.0], way, [0.0]])))
    moves = []
    for begin, end in pairwise(map(int, edges)):
        if way[begin] == 0.0 or grid[end - 1] - grid[begin] > LONGEST_MOVE_S:
            continue
        settled = _settled(curve, end) - _settled(curve, begin, before=True)
        if np.sign(settled) == way[begin] and abs(settled) >= least:
            moves.append(_move(float(grid[begin]), float(grid[end - 1]), settled))
    return tuple(moves)


def _usual_swing(curve: NDArray[np.float64]) -> float:
    """Return the usual distance, as a standard deviation, from the running mean; a few steps do not count."""
    swing = curve - smoothed(curve, SLOW_DEVIATION_S / GRID_S)
    return 1.4826 * float(np.median(np.abs(swing)))


def _settled(curve: NDArray[np.float64], at: int, before: bool = False) -> float:
    """Return where the curve stands over the next, or the last, 4 s: what swings back at once was no move."""
    points = round(4.0 / GRID_S)
    part = curve[max(0, at - points) : at] if before else curve[at : at + points]
    return float(np.median(part)) if len(part) else float(curve[min(at, len(curve) - 1)])


def _move(begin_s: float, end_s: float, by_cents: float) -> Move:
    lasts = end_s - begin_s - 2.0 * _SMOOTH_S  # the smoothing widens it by so much
    if lasts <= STEP_S:
        middle = (begin_s + end_s) / 2.0
        return Move(begin_s=middle, end_s=middle, cents=by_cents, by="step")
    return Move(begin_s=begin_s, end_s=end_s, cents=by_cents, by="varispeed")
