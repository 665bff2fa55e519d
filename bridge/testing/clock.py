"""A clock that moves only when told."""

from __future__ import annotations

from math import isfinite


class FakeClock:
    """Stands in for `bridge.edge.host_clock.now`, so that hours pass in a test within a moment.

    Args:
        at: Host time to begin at, in seconds.

    Example:
        >>> clock = FakeClock(100.0)
        >>> clock.advance(0.5)
        >>> clock()
        100.5
    """

    def __init__(self, at: float = 0.0) -> None:
        self._at = at

    def __call__(self) -> float:
        """Return the host time in seconds."""
        return self._at

    def advance(self, seconds: float) -> None:
        """Let time pass.

        Raises:
            ValueError: ``seconds`` is negative or not finite.
        """
        if not (seconds >= 0 and isfinite(seconds)):
            raise ValueError(f"time only moves forward by a finite step, got {seconds!r} s")
        self._at += seconds

    def advance_to(self, at: float) -> None:
        """Let time pass until host time ``at``; nothing happens if that is over.

        Raises:
            ValueError: ``at`` is not finite.
        """
        if not isfinite(at):
            raise ValueError(f"at must be a finite time in seconds, got {at!r}")
        self._at = max(self._at, at)
