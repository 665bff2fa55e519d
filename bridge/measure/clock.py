"""A MIDI clock that went out of one port and came in at another: how much later, how unevenly, and what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FEWEST = 24
"""A clock of fewer ticks tells nothing: it is one beat."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockHeard:
    """How a clock came in.

    Attributes:
        sent: Ticks that went out.
        heard: Ticks that came in and belong to one that went out.
        strange: Ticks that came in besides.
        dropped: Ticks of those that went out that this machine itself left out, being late.
        delay_ms: The middle delay, in ms; None, as all below, if nothing was heard.
        least_ms: The shortest delay, in ms.
        most_ms: The longest delay, in ms.
        jitter_ms: Standard deviation of the delays, in ms.
        p99_ms: What 99 of 100 ticks are off the middle delay at most, in ms.
        uneven_ms: The interval that is furthest from what was sent, by how much, in ms.
    """

    sent: int
    heard: int
    strange: int
    dropped: int = 0
    delay_ms: float | None = None
    least_ms: float | None = None
    most_ms: float | None = None
    jitter_ms: float | None = None
    p99_ms: float | None = None
    uneven_ms: float | None = None


def clock_heard(sent_s: Sequence[float], heard_s: Sequence[float]) -> ClockHeard:
    """Return how a clock came in.

    Each tick heard belongs to the tick sent that it follows, at the one delay that fits most of them; so a tick that
    got lost on the way moves no other.

    Args:
        sent_s: Host times at which ticks went out, in seconds, increasing; 24 or more.
        heard_s: Host times at which ticks came in, in seconds, not decreasing.

    Raises:
        ValueError: Too few ticks went out, or they do not increase.
    """
    sent, heard = np.asarray(sent_s, dtype=np.float64), np.asarray(heard_s, dtype=np.float64)
    if not (len(sent) >= FEWEST and (np.diff(sent) > 0).all()):
        raise ValueError(f"a clock needs {FEWEST} ticks or more, one after the other, got {len(sent)}")
    if not len(heard):
        return ClockHeard(sent=len(sent), heard=0, strange=0)
    pairs = _paired(sent, heard, _delay(sent, heard))
    if not len(pairs):
        return ClockHeard(sent=len(sent), heard=0, strange=len(heard))
    delays = 1000.0 * (heard[pairs[:, 1]] - sent[pairs[:, 0]])
    middle = float(np.median(delays))
    follow = np.diff(pairs[:, 0]) == 1
    uneven = np.abs(np.diff(delays))[follow]
    return ClockHeard(
        sent=len(sent),
        heard=len(pairs),
        strange=len(heard) - len(pairs),
        delay_ms=middle,
        least_ms=float(delays.min()),
        most_ms=float(delays.max()),
        jitter_ms=float(np.std(delays)),
        p99_ms=float(np.percentile(np.abs(delays - middle), 99)),
        uneven_ms=float(uneven.max()) if len(uneven) else 0.0,
    )


def _delay(sent: NDArray[np.float64], heard: NDArray[np.float64]) -> float:
    """Return the delay in seconds at which fewest ticks are left over; of several, the steadiest, then the shortest."""
    interval = float(np.median(np.diff(sent)))
    first = heard[0] - sent[: len(sent) // 2 + 1]  # the first ticks may be lost, up to half of all
    tried = []
    for guess in first[first >= -interval / 4]:
        pairs = _paired(sent, heard, float(guess))
        delays = heard[pairs[:, 1]] - sent[pairs[:, 0]]
        left_over = len(sent) + len(heard) - 2 * len(pairs)
        tried.append((left_over, round(float(np.std(delays)), 4), float(np.median(delays))))
    return min(tried, default=(0, 0.0, 0.0))[2]


def _paired(sent: NDArray[np.float64], heard: NDArray[np.float64], delay_s: float) -> NDArray[np.intp]:
    """Return pairs of one tick sent and the one heard nearest to it and the delay, within half an interval."""
    reach = float(np.median(np.diff(sent))) / 2
    due = sent + delay_s
    after = np.clip(np.searchsorted(due, heard), 1, len(due) - 1)
    nearest = np.where(heard - due[after - 1] < due[after] - heard, after - 1, after)
    off = np.abs(heard - due[nearest])
    taken: dict[int, int] = {}
    for index in np.argsort(off, kind="stable"):
        if off[index] < reach:
            taken.setdefault(int(nearest[index]), int(index))
    return np.array(sorted(taken.items()), dtype=np.intp).reshape(-1, 2)
