"""Where a sequencer stands in its song: Start, Stop, Continue and Song Position beside one clock.

They go out only where a rig asks for them. Song Position goes out only while the receiver is stopped, in sixteenth
notes of 6 ticks; Start and Continue go out before the tick that is to be the first one played.

Source: MIDI 1.0 Detailed Specification, System Real Time Messages and Song Position Pointer.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import ceil, inf

from bridge.rig import Transport
from bridge.send.messages import (
    CONTINUE,
    SONG_POSITIONS,
    START,
    START_TO_CLOCK_S,
    STOP,
    TICKS_PER_SIXTEENTH,
    song_position,
)
from bridge.units import TICKS_PER_BEAT

LEAD_S = 0.003
"""Start and Continue go out so long before the tick that they are about, in seconds; at 400 bpm a tick lasts 6.25 ms.

The standard wants 1 ms at least; the rest is for ports that are not on time.
"""

BEGIN_S = 0.02
"""A clock that begins with a Start has its first tick so long after its first order, in seconds: both are on time."""

MAKE_READY_TICKS = 24
"""A receiver has at least so many ticks to find a position: more than 0.15 s. Old ones take their time."""


class Song:
    """The song of one port: it begins at the clock's first tick, or at the next beat where that is over.

    After ticks were lost the receiver is behind. Where the rig asks for Stop, Song Position and Continue, it is stopped
    at once and plays on from the right place at the first beat that leaves it time; else it stays behind. When
    its port was gone it is taken the same way, or started afresh if Start is all that the rig asks for.

    Args:
        asked: The messages that the rig asks for.
    """

    def __init__(self, asked: Iterable[Transport]) -> None:
        self._asked = frozenset(asked)
        self._relocates = {"stop", "continue", "song_position"} <= self._asked
        self._ticks = 0  # of the clock's grid, sent or left out
        self._began: int | None = None  # the tick at which the song began; None before
        self._enters: int | None = 0 if "start" in self._asked else None  # the tick before which it is to play
        self._stopped = False
        self._waiting: list[bytes] = []  # Stop and Song Position, to be sent at once

    def ticked(self, sent: int, left_out: int) -> None:
        """Take in that so many ticks of the clock went out, and so many were left out after a stall."""
        self._ticks += sent + left_out
        if left_out:
            self.lost()
        if self._enters is not None and self._ticks > self._enters:
            self._enters = self._next_beat(self._ticks)

    def lost(self) -> None:
        """Take in that ticks were lost on their way, so that the receiver is behind."""
        if self._relocates and self._began is not None:
            self._relocate()

    def paused(self) -> None:
        """Take in that the clock ends here, and that the next tick begins another one, on a beat."""
        self._ticks = self._next_beat(self._ticks)
        self.lost()

    def reopened(self) -> None:
        """Take the receiver for one that was just switched on."""
        if self._relocates and self._began is not None:
            self._relocate()
        elif "start" in self._asked:
            self._enters, self._stopped, self._began = self._next_beat(self._ticks), False, None

    def end(self) -> None:
        """Stop the receiver, if the rig asks for it; one that is started by hand counts as begun with the clock."""
        began = self._began is not None or ("start" not in self._asked and self._ticks > 0)
        if began and "stop" in self._asked:
            self._stop()
        self._enters = None

    def next_due(self, next_tick: float) -> float:
        """Return the host time in seconds at which something is due, perhaps in the past; inf if nothing is.

        Args:
            next_tick: Host time in seconds of the clock's next tick; inf if it has none.
        """
        if self._waiting:
            return -inf
        return next_tick - LEAD_S if self._ticks == self._enters else inf

    def due(self, now: float, next_tick: float) -> list[tuple[float, bytes]]:
        """Take what is to be sent at host time ``now``, each with the host time at which it was due."""
        messages = [(now, data) for data in self._waiting]
        self._waiting = []
        if self._ticks != self._enters or now < next_tick - LEAD_S:
            return messages
        if next_tick - now < START_TO_CLOCK_S:  # too late for this beat
            self._enters = self._next_beat(self._ticks + 1)
            if self._began is not None:
                self._relocate()
            return messages
        messages.append((next_tick - LEAD_S, START if self._began is None else CONTINUE))
        self._began = self._ticks if self._began is None else self._began
        self._enters, self._stopped = None, False
        return messages

    def _relocate(self) -> None:
        """Stop the receiver, and send it to the first beat that leaves it time."""
        assert self._began is not None
        self._stop()
        self._enters = self._next_beat(self._ticks + MAKE_READY_TICKS)
        place = (self._enters - self._began) // TICKS_PER_SIXTEENTH % SONG_POSITIONS
        self._waiting.append(song_position(place))

    def _stop(self) -> None:
        """Have Stop sent, and nothing that waits but that, unless it went out already."""
        self._waiting = [STOP] if STOP in self._waiting or not self._stopped else []
        self._stopped = True

    @staticmethod
    def _next_beat(ticks: int) -> int:
        return ceil(ticks / TICKS_PER_BEAT) * TICKS_PER_BEAT
