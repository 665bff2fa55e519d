"""How a pedal's period moves when the tape's does: smoothly, and never so fast that it is heard.

A delay line whose time D changes bends the pitch of its first repeat by the ratio 1 - dD/dt, and of the n-th repeat by
about n times as much. The promise for a pedal that glides is five cents at the last repeat that one hears. The tape's
own present bend is allowed on top, since the ear hears the echo against the tape: a delay that goes along with the tape
bends an old sound by just as much as the tape's own pitch has moved since.
"""

from __future__ import annotations

from collections import deque
from math import inf

from bridge.units import period_s, ratio_of_cents

BEND_CENTS = 5.0
"""Largest bend of the last repeat heard, in cents: about the smallest pitch step that is heard. Common practice."""

REST = 0.002
"""Dead band: a pedal at rest stays there until the tape is off by this share (3.5 cents). It keeps wow off the port."""

SEAT = 0.0003
"""A moving pedal comes to rest when it is within this share of the tape."""

BEND_WINDOW_S = 8.0
"""The tape's own bend is measured over this time."""

LONGEST_MOVE_S = 1.0
"""After a time without a beat a pedal does not make up at once for the time in which it could not move."""


def slew_of(repeats_heard: int, beats: float) -> float:
    """Return how fast a beat's period may change, in seconds a second.

    Args:
        repeats_heard: Repeats that one can hear, 1 or more.
        beats: The pedal's longest delay time in use, in beats: it changes by so much more than the beat itself.
    """
    return (ratio_of_cents(BEND_CENTS) - 1.0) / (repeats_heard * beats)


class Period:
    """The period of one beat as a pedal that glides is told it.

    Args:
        slew: How fast it may change by itself, in seconds a second.

    Attributes:
        tempo: The tempo told, in bpm.
    """

    def __init__(self, slew: float) -> None:
        self.tempo = 0.0
        self._slew = slew
        self._moving = False
        self._heard: deque[tuple[float, float]] = deque()
        self._heard_at = inf

    def step(self, tempo: float, at: float = inf) -> None:
        """Go to ``tempo`` bpm at once, at time ``at`` in seconds; what was heard before says nothing of the tape's bend
        any more.
        """
        self.tempo, self._moving, self._heard_at = tempo, False, at
        self._heard.clear()

    def hear(self, at: float, tempo: float) -> bool:
        """Move towards ``tempo`` bpm as far as is allowed; return whether that changed anything.

        Args:
            at: Time in seconds; never less than at the call before.
            tempo: The tempo that the pedal is to have, in bpm.
        """
        target = period_s(tempo)
        self._heard.append((at, target))
        while self._heard[0][0] < at - BEND_WINDOW_S:
            self._heard.popleft()
        passed_s, self._heard_at = min(LONGEST_MOVE_S, max(0.0, at - self._heard_at)), at
        self._moving = apart(tempo, self.tempo) > (SEAT if self._moving else REST)
        if not self._moving or not passed_s:
            return False
        own = self._own_bend()
        lowest, highest = (min(0.0, own) - self._slew) * passed_s, (max(0.0, own) + self._slew) * passed_s
        period = period_s(self.tempo)
        self.tempo = 60.0 / (period + min(highest, max(lowest, target - period)))
        return True

    def _own_bend(self) -> float:
        """Seconds a second by which the heard period itself moves, as far as it has done so all along.

        A tape that was nudged bends no more, so it is the slower of both halves of the window that counts.
        """
        middle = self._heard[-1][0] - BEND_WINDOW_S / 2
        early, late = (_slope([h for h in self._heard if (h[0] > middle) == half]) for half in (False, True))
        return 0.0 if early * late <= 0.0 else min(early, late, key=abs)


def _slope(heard: list[tuple[float, float]]) -> float:
    """Return the slope of the line that fits periods best over time; 0 where they span too little."""
    if not heard or heard[-1][0] - heard[0][0] < BEND_WINDOW_S / 4:
        return 0.0
    middle = sum(at for at, _ in heard) / len(heard)
    return sum((at - middle) * period for at, period in heard) / sum((at - middle) ** 2 for at, _ in heard)


def apart(tempo: float, other: float) -> float:
    """Return the share by which two tempi differ."""
    return abs(tempo / other - 1.0)
