"""How alike two patterns are, at which lag, and how sure one can be that a place is the right one."""

from __future__ import annotations

from collections.abc import Sequence
from math import erf, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from bridge.review.patterns import ROWS_PER_S, Pattern

_APART_S = 0.25  # another place is further away than this
_AROUND_S = 12.0  # a loop's own repeats are looked for so far

_EVEN, _SPREAD = 1.5, 0.75
"""A lead of so many standard errors is right as often as not; the spread tells how quickly more makes it sure.

Chosen on other made-up recordings than those of ``python -m tests.bench.align``, which tells how well it holds.
"""

Floats = NDArray[np.float64]
Window = tuple[int, int]
"""First row, and the one behind the last."""


def spectrum_of(take: Pattern) -> NDArray[np.complex64]:
    """Return the transform of a take, for many windows."""
    return np.asarray(fft.rfft(take, fft.next_fast_len(len(take), real=True), axis=0), np.complex64)


def likeness_at_lags(take: Pattern, window: Pattern, spectrum: NDArray[np.complex64] | None = None) -> Floats:
    """Return how alike a window and each part of the take are: correlation over all bands, -1..1.

    Args:
        take: Shape (n, bands).
        window: Shape (m, bands), m no more than n.
        spectrum: Of the take, where it is known already.

    Returns:
        Shape (n - m + 1,).
    """
    size = fft.next_fast_len(len(take), real=True)
    there = spectrum_of(take) if spectrum is None else spectrum
    product = there * np.conj(fft.rfft(window, size, axis=0))
    raw = fft.irfft(product.sum(axis=1), size)[: len(take) - len(window) + 1]
    energy = np.concatenate([[0.0], np.cumsum((take.astype(np.float64) ** 2).sum(axis=1))])
    around = energy[len(window) :] - energy[: -len(window)]
    whole = float((window.astype(np.float64) ** 2).sum())
    least = 0.05 * whole + 1e-9  # where the take is nearly still, likeness means nothing
    return np.asarray(raw / np.sqrt(np.maximum(around, least) * max(whole, 1e-9)), np.float64)


def near(take: Pattern, recording: Pattern, first: int, last: int, place: float, reach: int) -> tuple[float, float]:
    """Return how alike a window and the take are at best near an offset, and the exact offset in seconds."""
    begin = first + round(place * ROWS_PER_S) - reach
    lags = likeness_at_lags(part(take, begin, begin + last - first + 2 * reach), recording[first:last])
    best = int(np.argmax(lags))
    return float(lags[best]), (begin + best + _between(lags, best) - first) / ROWS_PER_S


def part(pattern: Pattern, begin: int, end: int) -> Pattern:
    """Return rows of a pattern, still ones outside it."""
    whole = np.zeros((end - begin, pattern.shape[1]), pattern.dtype)
    low, high = max(0, begin), min(len(pattern), end)
    if high > low:
        whole[low - begin : high - begin] = pattern[low:high]
    return whole


def _between(curve: Floats, best: int) -> float:
    """Return how far the top of a curve lies from its highest point, in points, by a parabola."""
    if not 0 < best < len(curve) - 1:
        return 0.0
    before, top, after = curve[best - 1 : best + 2]
    bend = before - 2.0 * top + after
    return float(0.5 * (before - after) / bend) if bend < 0.0 else 0.0


def sureness(
    take: Pattern,
    recording: Pattern,
    windows: Sequence[Window],
    stretches: Sequence[tuple[float, float, float]],
    ppm: float,
    places: Sequence[float],
) -> tuple[float, float]:
    """Return how likely the answer is right, and how alike both are.

    The weakest stretch decides. Its windows, which lie apart, are asked one by one by how much they prefer the answer
    to the best other place; a fair coin would say so as seldom as the normal distribution tells.
    """
    sures, alikes = [], []
    for begin_s, end_s, level in stretches:
        mine = [w for w in windows[::2] or windows if _lies_in(w, begin_s, end_s)] or [
            w for w in windows if _lies_in(w, begin_s, end_s)
        ]
        mine = mine[:: max(1, len(mine) // 40)]
        if not mine:
            continue
        here = np.array([_exactly(take, recording, w, level, ppm) for w in mine])
        others = [_rivals(take, recording, w, level, ppm, places) for w in mine]
        rival = _best_rival(others)
        lead = here - rival
        error = float(np.std(lead, ddof=1)) / sqrt(len(lead)) if len(lead) > 2 else 0.08 / sqrt(len(lead))
        error = max(error, 0.03 / sqrt(len(lead)))
        sures.append(_normal((float(lead.mean()) / error - _EVEN) / _SPREAD))
        alikes.append(float(here.mean()))
    return (min(sures), float(np.mean(alikes))) if sures else (0.0, 0.0)


def _lies_in(window: Window, begin_s: float, end_s: float) -> bool:
    return begin_s - 1.0 <= window[0] / ROWS_PER_S and window[1] / ROWS_PER_S <= end_s + 1.0


def _exactly(take: Pattern, recording: Pattern, window: Window, level: float, ppm: float) -> float:
    first, last = window
    place = level + 1e-6 * ppm * (first + last) / 2 / ROWS_PER_S
    return near(take, recording, first, last, place, 2)[0]


def _rivals(
    take: Pattern, recording: Pattern, window: Window, level: float, ppm: float, places: Sequence[float]
) -> Floats:
    """Return the likeness at every lag around the answer but itself, and near each other place."""
    first, last = window
    reach, apart = int(_AROUND_S * ROWS_PER_S), int(_APART_S * ROWS_PER_S)
    place = level + 1e-6 * ppm * (first + last) / 2 / ROWS_PER_S
    begin = first + round(place * ROWS_PER_S) - reach
    lags = likeness_at_lags(part(take, begin, begin + last - first + 2 * reach), recording[first:last])
    lags[reach - apart : reach + apart + 1] = -1.0
    away = [p for p in places if abs(p - place) > _AROUND_S]
    others = [near(take, recording, first, last, p, int(_AROUND_S * ROWS_PER_S) // 4)[0] for p in away]
    return np.concatenate([lags, others])


def _best_rival(others: Sequence[Floats]) -> Floats:
    """Return the likeness of each window at the one other place that fits best over all of them."""
    table = np.stack(others)
    return np.asarray(table[:, int(np.argmax(table.mean(axis=0)))])


def _normal(z: float) -> float:
    return 0.5 * (1.0 + erf(z / sqrt(2.0)))
