"""Many answers to one question, such as a pedal's latency: their middle, their spread, whether to trust them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np

ENOUGH = 0.7
"""An answer that comes less often than in this share of the tries is no answer."""

STEADY_MS = 3.0
"""Answers that spread by more than this are no latency that could be taken off, in ms. Ten of them are one flam."""

MIDDLE = (10, 90)
"""Percentiles between which the spread is taken, so that one stray answer in ten does not count."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What many tries came to.

    Attributes:
        tries: How often it was asked, 1 or more.
        heard: How often an answer came.
        median_ms: The middle answer in ms, perhaps negative; None if none came.
        spread_ms: Width of the middle four fifths of the answers in ms; None if none came.
        least_ms: The smallest answer in ms; None if none came.
        most_ms: The largest answer in ms; None if none came.
    """

    tries: int
    heard: int
    median_ms: float | None = None
    spread_ms: float | None = None
    least_ms: float | None = None
    most_ms: float | None = None

    @property
    def enough(self) -> bool:
        """Whether answers came often enough."""
        return self.heard >= ENOUGH * self.tries

    @property
    def steady(self) -> bool:
        """Whether there are enough answers, and they agree."""
        return self.enough and self.spread_ms is not None and self.spread_ms <= STEADY_MS


def answers(delays_s: Sequence[float | None]) -> Answers:
    """Return what many tries came to.

    Args:
        delays_s: One delay in seconds for each try, or None where nothing was heard; not empty.

    Raises:
        ValueError: There are no tries, or a delay is not finite.
    """
    if not delays_s:
        raise ValueError("answers need one try or more")
    heard = [delay for delay in delays_s if delay is not None]
    if not all(isfinite(delay) for delay in heard):
        raise ValueError(f"a delay must be a finite time in seconds, got {heard!r}")
    if not heard:
        return Answers(tries=len(delays_s), heard=0)
    in_ms = 1000.0 * np.array(heard)
    low, high = np.percentile(in_ms, MIDDLE)
    return Answers(
        tries=len(delays_s),
        heard=len(heard),
        median_ms=float(np.median(in_ms)),
        spread_ms=float(high - low),
        least_ms=float(in_ms.min()),
        most_ms=float(in_ms.max()),
    )
