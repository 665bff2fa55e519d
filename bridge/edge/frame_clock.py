"""From frame counts to host time: a second-order delay-locked loop. Pure: arrival times come in as numbers.

Blocks of sound arrive when the system gets round to it, up to tens of milliseconds early or late, while the device
counts frames evenly. The loop follows the device and lets the jitter of single arrivals go.

Source: F. Adriaensen, "Using a DLL to filter time", Linux Audio Conference 2005.
"""

from __future__ import annotations

from math import isfinite, pi, sqrt

BANDWIDTH_HZ = 0.05
"""Bandwidth of the settled loop. Callbacks late at random by up to 20 ms (standard deviation 5.4 ms) leave 0.37 ms at
512 frames a block (``python -m tests.bench.audio_time``)."""

SETTLING = 0.3
"""The loop starts wide and narrows as this many cycles over the time it has run."""

JITTER_S = 0.05
"""An arrival further off than this is a stall of the system, not jitter: it tells nothing, and is passed over."""

ASTRAY_S = 1.0
"""When arrivals stay further off than JITTER_S for this much sound, time itself has jumped: the loop starts anew."""


class FrameClock:
    """Gives each block of sound the host time of its first frame.

    The times it gives only move forward: no block begins before the one before it has ended.

    Args:
        rate: Frames per second, as the device calls it.

    Raises:
        ValueError: ``rate`` is not above 0.
    """

    def __init__(self, rate: float) -> None:
        if not (rate > 0 and isfinite(rate)):
            raise ValueError(f"a rate must be finite and above 0 frames/s, got {rate!r}")
        self._frame_s = 1.0 / rate
        self._end: float | None = None
        self._run_s = 0.0  # sound since the loop started
        self._astray_s = 0.0
        self._floor = float("-inf")

    @property
    def rate(self) -> float:
        """Frames per second of host time, as measured so far."""
        return 1.0 / self._frame_s

    def expected(self, frames: int) -> float | None:
        """Return the host time at which a block of so many frames should arrive next; None before the first."""
        return None if self._end is None else self._end + frames * self._frame_s

    def block(self, frames: int, arrived: float) -> float:
        """Take in the next block, and return the host time at which its first frame began to arrive, in seconds.

        Args:
            frames: Length of the block, 1 or more.
            arrived: Host time at which the whole block was there, in seconds.

        Raises:
            ValueError: ``frames`` is below 1, or ``arrived`` is not finite.
        """
        if not (frames >= 1 and isfinite(arrived)):
            raise ValueError(f"a block needs 1 frame or more and a finite time, got {frames!r} at {arrived!r}")
        length_s = frames * self._frame_s
        error = 0.0 if self._end is None else arrived - (self._end + length_s)
        is_astray = abs(error) > JITTER_S
        self._astray_s = self._astray_s + length_s if is_astray else 0.0
        if self._end is None or self._astray_s > ASTRAY_S:
            return self._start(length_s, arrived)
        begin = self._end
        self._run_s += length_s
        if is_astray:
            self._end = begin + length_s
            return begin
        wide = 2 * pi * max(BANDWIDTH_HZ, SETTLING / self._run_s) * length_s
        settled = 2 * pi * BANDWIDTH_HZ * length_s
        # Only the settled loop learns the rate: the device's own word for it is better than a second of arrivals.
        self._end = begin + max(length_s + min(1.0, sqrt(2) * wide) * error, length_s / 2)
        self._frame_s += settled**2 * error / frames
        return begin

    def skip(self, frames: int) -> None:
        """Let frames pass that the device counted and that did not arrive."""
        if self._end is not None:
            self._end += frames * self._frame_s

    def restart(self) -> None:
        """Begin anew after a gap of unknown length: the next block is placed where it arrives.

        What was learnt of the rate is kept.
        """
        if self._end is not None:
            self._floor = self._end
        self._end = None

    def _start(self, length_s: float, arrived: float) -> float:
        self.restart()
        begin = max(arrived - length_s, self._floor)
        self._end = begin + length_s
        self._run_s = self._astray_s = 0.0
        return begin
