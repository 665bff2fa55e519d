"""Where a recording of the evening lies on a take: an offset for each stretch without a drop-out, and a clock error.

The patterns of both are compared (`bridge.review.patterns`): windows of a minute over the whole take vote for offsets,
windows of 20 s choose among them all along, and a straight line through each stretch tells offset and clock. How sure
that is, is told by how much better the answer fits than the best other place.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bridge.review.likeness import Floats, likeness_at_lags, near, spectrum_of, sureness
from bridge.review.patterns import ROWS_PER_S, Pattern

WORST_PPM = 250.0
"""Clocks that differ by more are not looked for."""

MOST_GAPS = 3
"""Drop-outs that are looked for."""

SEED_S, MOST_SEEDS = 60.0, 40
WINDOW_S, HOP_S = 20.0, 10.0

_PLACES = 10  # offsets that are looked at all along
_PEAKS = 4  # votes of one window
_BLANK = 0.08  # likeness of a window that lies outside the take, or was covered by something else
_JUMP = 0.35  # what a change of place costs, in likeness of a window
_NEAR_S = 0.06  # windows on one line lie within this


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A part of the recording without a drop-out.

    Attributes:
        begin_s: Its begin in the recording.
        end_s: Its end in the recording.
        offset_s: Time in the take minus time in the recording, at the recording's begin (carried on to there).
    """

    begin_s: float
    end_s: float
    offset_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """Where a recording lies on a take.

    Attributes:
        stretches: In order, at least one.
        ppm: How much faster the take's clock runs: a second of the recording is 1 + ppm / 1e6 seconds of the take.
        sure: How likely this is right, 0..1.
        likeness: How alike both are there, 0..1; a dry tap and a wet mix reach about 0.3.
    """

    stretches: tuple[Stretch, ...]
    ppm: float
    sure: float
    likeness: float = 0.0

    def in_take(self, recording_s: float) -> float:
        """Return a moment of the recording as seconds of the take."""
        inside = [s for s in self.stretches if recording_s >= s.begin_s] or [self.stretches[0]]
        return recording_s * (1.0 + 1e-6 * self.ppm) + inside[-1].offset_s

    def in_recording(self, take_s: float) -> float:
        """Return a moment of the take as seconds of the recording, which may lie outside it.

        A moment that dropped out is where the recording goes on.
        """
        at = 0.0
        for stretch in self.stretches:
            at = (take_s - stretch.offset_s) / (1.0 + 1e-6 * self.ppm)
            if at <= stretch.end_s:
                return at if stretch is self.stretches[0] else max(at, stretch.begin_s)
        return at


def align(take: Pattern, recording: Pattern, progress: Callable[[float], None] = lambda _: None) -> Alignment | None:
    """Return where a recording lies on a take.

    Args:
        take: Pattern of the take, row 0 at its begin; shape (n, bands).
        recording: Pattern of the recording.
        progress: Told how much is done, 0..1.

    Returns:
        None where nothing in it sounds like the take. An answer may still be unsure: see ``sure``.
    """
    windows = _windows(len(recording))
    if not windows or len(take) < WINDOW_S * ROWS_PER_S:
        return None
    places = _places(take, recording, progress)
    if not places:
        return None
    reach = int((_NEAR_S + 2e-6 * WORST_PPM * len(recording) / ROWS_PER_S) * ROWS_PER_S) + 2
    likeness, offsets = _all_along(take, recording, windows, places, reach)
    progress(0.9)
    middles = np.array([(first + last) / 2 / ROWS_PER_S for first, last in windows])
    path = _path(likeness)
    found = _lines(middles, path, likeness, offsets)
    if found is None:
        return None
    ppm, stretches = found
    edges = _edges(take, recording, stretches, ppm)
    sure, alike = sureness(take, recording, windows, [(e.begin_s, e.end_s, e.offset_s) for e in edges], ppm, places)
    progress(1.0)
    return Alignment(stretches=tuple(edges), ppm=ppm, sure=sure, likeness=alike)


def _windows(rows: int) -> list[tuple[int, int]]:
    length, hop = int(WINDOW_S * ROWS_PER_S), int(HOP_S * ROWS_PER_S)
    if rows < length:
        return [(0, rows)] if rows >= length // 2 else []
    return [(first, first + length) for first in range(0, rows - length + 1, hop)]


def _places(take: Pattern, recording: Pattern, progress: Callable[[float], None]) -> list[float]:
    """Return offsets in seconds that windows of a minute vote for, the best first."""
    length = min(len(recording), int(SEED_S * ROWS_PER_S), len(take))
    count = max(1, min(MOST_SEEDS, 2 * len(recording) // length))
    votes: list[tuple[float, float, float]] = []
    spectrum = spectrum_of(take)
    for number, first in enumerate(np.linspace(0, len(recording) - length, count).astype(int)):
        lags = likeness_at_lags(take, recording[first : first + length], spectrum)
        spread = float(np.median(np.abs(lags - np.median(lags)))) * 1.4826 + 1e-6
        for _ in range(_PEAKS):
            best = int(np.argmax(lags))
            if lags[best] < max(_BLANK, 4.5 * spread):
                break
            votes.append(((best - first) / ROWS_PER_S, float(lags[best]) ** 2, first / ROWS_PER_S))
            lags[max(0, best - ROWS_PER_S) : best + ROWS_PER_S] = -1.0
        progress(0.8 * (number + 1) / count)
    return _voted(votes)


def _voted(votes: Sequence[tuple[float, float, float]]) -> list[float]:
    """Put votes together that one clock error could explain, and return the strongest places."""
    left = list(votes)
    places: list[float] = []
    while left and len(places) < _PLACES:
        sums = [
            sum(w for o, w, t in left if abs(o - offset) <= _NEAR_S + 2e-6 * WORST_PPM * abs(t - at))
            for offset, _, at in left
        ]
        offset, _, at = left[int(np.argmax(sums))]
        places.append(offset)
        left = [v for v in left if abs(v[0] - offset) > _NEAR_S + 2e-6 * WORST_PPM * abs(v[2] - at)]
    return places


def _all_along(
    take: Pattern, recording: Pattern, windows: Sequence[tuple[int, int]], places: Sequence[float], reach: int
) -> tuple[Floats, Floats]:
    """Return likeness and exact offset in seconds of each window near each place, shape (windows, places)."""
    likeness = np.zeros((len(windows), len(places)))
    offsets = np.zeros_like(likeness)
    for row, (first, last) in enumerate(windows):
        for column, place in enumerate(places):
            likeness[row, column], offsets[row, column] = near(take, recording, first, last, place, reach)
    return likeness, offsets


def _path(likeness: Floats) -> list[int]:
    """Return the place of each window, -1 for none: most likeness with few changes, and at most three of place."""
    columns = likeness.shape[1]
    scores = np.column_stack([likeness, np.full(len(likeness), _BLANK)])
    price = _JUMP
    while True:
        best = _cheapest(scores, price)
        named = [place for place in best if place < columns]
        if sum(a != b for a, b in pairwise(named)) <= MOST_GAPS or price > 1e3:
            return [place if place < columns else -1 for place in best]
        price *= 1.5


def _cheapest(scores: Floats, price: float) -> list[int]:
    sums, froms = scores[0].copy(), []
    for row in scores[1:]:
        jump = int(np.argmax(sums))
        come = np.where(sums >= sums[jump] - price, np.arange(len(sums)), jump)
        froms.append(come)
        sums = np.where(come == jump, np.maximum(sums, sums[jump] - price), sums) + row
    path = [int(np.argmax(sums))]
    for come in reversed(froms):
        path.append(int(come[path[-1]]))
    return path[::-1]


def _lines(
    middles: Floats, path: Sequence[int], likeness: Floats, offsets: Floats
) -> tuple[float, list[tuple[float, float, float]]] | None:
    """Return the clock's error in ppm, and begin, end and offset of each stretch, in seconds."""
    rows = np.array([n for n, place in enumerate(path) if place >= 0], int)
    if not len(rows):
        return None
    chosen = np.array([path[n] for n in rows])
    at, weight, offset = middles[rows], likeness[rows, chosen] ** 2, offsets[rows, chosen]
    tries = np.arange(-WORST_PPM, WORST_PPM + 1.0, 2.0) * 1e-6
    if np.ptp(at) < 120.0:
        tries = np.zeros(1)  # too short to tell clocks apart
    scored = [sum(_on_line(at, offset, weight, chosen == c, slope)[0] for c in set(chosen)) for slope in tries]
    best = np.flatnonzero(np.isclose(scored, max(scored), rtol=1e-3))
    slope = float(tries[best[len(best) // 2]])
    for _ in range(2 if len(tries) > 1 else 0):
        slope = _slope(at, offset, weight, chosen, slope)
    found: list[tuple[float, float, float]] = []
    for row, place in zip(rows, chosen, strict=True):
        mine = chosen == place
        _, level = _on_line(at, offset, weight, mine, slope)
        begin, end = middles[row] - WINDOW_S / 2, middles[row] + WINDOW_S / 2
        if found and abs(found[-1][2] - level) < _NEAR_S:
            found[-1] = (found[-1][0], end, level)
        else:
            found.append((begin, end, level))
    return 1e6 * slope, found


def _on_line(at: Floats, offset: Floats, weight: Floats, mine: NDArray[np.bool_], slope: float) -> tuple[float, float]:
    """Return how much of the weight lies on one line of this slope, and that line's level at 0."""
    levels, weights = (offset - slope * at)[mine], weight[mine]
    order = np.argsort(levels)
    levels, sums = levels[order], np.concatenate([[0.0], np.cumsum(weights[order])])
    ends = np.searchsorted(levels, levels + _NEAR_S / 2, side="right")
    held = sums[ends] - sums[np.arange(len(levels))]
    first = int(np.argmax(held))
    kept = slice(first, int(ends[first]))
    return float(held[first]), float(np.average(levels[kept], weights=weights[order][kept]))


def _slope(at: Floats, offset: Floats, weight: Floats, chosen: NDArray[np.intp], slope: float) -> float:
    """Return the slope by least squares through the windows on the lines, each stretch with its own level."""
    up = down = 0.0
    for place in set(chosen):
        mine = chosen == place
        _, level = _on_line(at, offset, weight, mine, slope)
        on = mine & (np.abs(offset - slope * at - level) <= _NEAR_S / 2)
        if on.sum() >= 3:
            there = at[on] - np.average(at[on], weights=weight[on])
            up += float((weight[on] * there * offset[on]).sum())
            down += float((weight[on] * there * there).sum())
    fitted = up / down if down > 0.0 else slope
    return fitted if abs(fitted) < 1e-6 * WORST_PPM else slope


def _edges(take: Pattern, recording: Pattern, found: Sequence[tuple[float, float, float]], ppm: float) -> list[Stretch]:
    """Put the edges between stretches where the recording stops to be like the one and begins to be like the other."""
    begins = [0.0]
    for before, after in pairwise(found):
        low, high = max(begins[-1], before[1] - 1.5 * WINDOW_S), after[0] + 1.5 * WINDOW_S
        rows = np.arange(int(low * ROWS_PER_S), min(len(recording), int(high * ROWS_PER_S)))
        gain = _row_likeness(take, recording, rows, ppm, before[2]) - _row_likeness(
            take, recording, rows, ppm, after[2]
        )
        cut = int(np.argmax(np.concatenate([[0.0], np.cumsum(gain)]))) if len(rows) else 0
        begins.append(low + cut / ROWS_PER_S)
    ends = [*begins[1:], len(recording) / ROWS_PER_S]
    return [
        Stretch(begin_s=b, end_s=e, offset_s=level) for b, e, (_, _, level) in zip(begins, ends, found, strict=True)
    ]


def _row_likeness(take: Pattern, recording: Pattern, rows: NDArray[np.intp], ppm: float, level: float) -> Floats:
    """Return how much each row of the recording goes with its row of the take."""
    there = np.round(rows * (1.0 + 1e-6 * ppm) + level * ROWS_PER_S).astype(int)
    inside = (there >= 0) & (there < len(take))
    product = (recording[rows] * take[np.clip(there, 0, len(take) - 1)]).sum(axis=1)
    return np.where(inside, product, 0.0)
