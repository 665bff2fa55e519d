"""A delay pedal made of numbers: it reads its time from the clock bytes that reach it, and glides.

It knows nothing of any tape. It does what pedals commonly do (common practice, no source): its delay is one quarter
note of the clock, the mean of the last ticks; the first tick after a pause only starts the measurement.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from math import exp, isfinite

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.units import TICKS_PER_BEAT

CLOCK = b"\xf8"
"""Timing Clock. Source: MIDI 1.0 Detailed Specification, System Real-Time."""

_UNDERSTOOD = {CLOCK, b"\xfa", b"\xfb", b"\xfc", b"\xfe"}  # clock, start, continue, stop, active sensing
_MEAN_OF = TICKS_PER_BEAT  # intervals
_FIRST_TIME_AFTER = 6  # intervals
_PAUSE_S = 0.5  # four ticks of 20 bpm: no clock that the bridge may send is this slow


class DelayPedal:
    """A delay that listens to one MIDI cable.

    Attributes:
        glide_s: Time constant with which the delay follows the time that it read, in seconds, above 0.
        ticks: Clock messages received.
        unknown: Messages that are not whole, or that mean nothing to it.

    Raises:
        ValueError: ``glide_s`` is not a finite number above 0.
    """

    def __init__(self, glide_s: float = 0.08) -> None:
        if not (glide_s > 0 and isfinite(glide_s)):
            raise ValueError(f"glide_s must be a finite number of seconds above 0, got {glide_s!r}")
        self.glide_s = glide_s
        self.ticks = 0
        self.unknown = 0
        self._last_at = -float("inf")
        self._ticks_at: deque[float] = deque(maxlen=_MEAN_OF + 1)
        self._turns: list[tuple[float, float, float]] = []  # host time, delay then, delay that it glides to

    def receive(self, at: float, message: bytes) -> None:
        """Take in one message.

        Args:
            at: Host time in seconds at which it arrived, not before the one before it.
            message: One whole MIDI message; real-time bytes inside another message are no whole message.

        Raises:
            ValueError: ``at`` is not finite, or before the message before it.
        """
        if not (isfinite(at) and at >= self._last_at):
            raise ValueError(f"messages must come in order of time, got {at!r} s after {self._last_at!r} s")
        self._last_at = at
        if message not in _UNDERSTOOD:
            self.unknown += 1
        elif message == CLOCK:
            self._tick(at)

    def receive_all(self, log: Iterable[tuple[float, bytes]]) -> None:
        """Take in every message of a log: pairs of host time in seconds and one whole message."""
        for at, message in log:
            self.receive(at, message)

    def _tick(self, at: float) -> None:
        self.ticks += 1
        if self._ticks_at and at - self._ticks_at[-1] > _PAUSE_S:
            self._ticks_at.clear()
        self._ticks_at.append(at)
        intervals = len(self._ticks_at) - 1
        if intervals >= _FIRST_TIME_AFTER:
            wanted = (at - self._ticks_at[0]) / intervals * TICKS_PER_BEAT
            self._turns.append((at, self._glided(at) if self._turns else wanted, wanted))

    def _glided(self, at: float) -> float:
        turn_at, begin, wanted = self._turns[-1]
        return wanted + (begin - wanted) * exp((turn_at - at) / self.glide_s)

    def delay_at(self, at: ArrayLike) -> NDArray[np.float64]:
        """Return the delay time in seconds at host times in seconds; NaN before it has one."""
        times = np.asarray(at, dtype=np.float64)
        if not self._turns:
            return np.full(times.shape, np.nan)
        turn_at, begin, wanted = np.array(self._turns).T
        turn = np.searchsorted(turn_at, times, side="right") - 1
        gone = np.exp(-np.maximum(0.0, times - turn_at[turn]) / self.glide_s)
        return np.where(turn >= 0, wanted[turn] + (begin[turn] - wanted[turn]) * gone, np.nan)

    def echoes_of(self, hits: ArrayLike) -> NDArray[np.float64]:
        """Return when the first echo of each hit is heard, in host seconds; NaN for hits before it had a time.

        A hit is heard again once the delay, as it is then, reaches back to it. Echoes of echoes: call this again.

        Args:
            hits: Host times in seconds.
        """
        hit = np.asarray(hits, dtype=np.float64)
        if not self._turns:
            return np.full(hit.shape, np.nan)
        early = hit.copy()
        late = hit + max(max(begin, wanted) for _, begin, wanted in self._turns)
        for _ in range(40):  # halving: from 3 s down to far below a nanosecond
            middle = (early + late) / 2
            heard = middle - self.delay_at(middle) >= hit
            early, late = np.where(heard, early, middle), np.where(heard, middle, late)
        return np.where(np.isnan(self.delay_at(hit)), np.nan, late)
