"""How a pedal's clock moves when the tape's tempo does.

A delay line whose time D changes bends the pitch of its first repeat by the ratio 1 - dD/dt, and of the n-th repeat by
about n times as much. The promise for a pedal that glides is five cents at the last repeat that one hears; the tape's
own present bend is allowed on top, since the ear hears the echo against the tape. Pedals that jump or mute are outside
the promise: they are moved seldom. A step of the tape (another tape, a speed switch) is one step of the pedal.
"""

from __future__ import annotations

from collections import deque
from fractions import Fraction
from math import inf, log2

from bridge.events import PedalTold
from bridge.rig import Pedal
from bridge.units import TEMPO_MAX, TEMPO_MIN, period_s, ratio_of_cents

BEND_CENTS = 5.0
"""Largest bend of the last repeat heard, in cents: about the smallest pitch step that is heard. Common practice."""

STEP_RATIO = 1.04
"""A tempo that is off by more than this is another tempo, not drift."""

REST = 0.002
"""Dead band: a clock at rest stays there until the tape is off by this share (3.5 cents). It keeps wow off the port."""

SEAT = 0.0003
"""A moving clock comes to rest when it is within this share of the tape."""

JUMP = 0.01
"""A pedal that jumps or mutes is moved only when the tape is off by this share."""

JUMP_EVERY_S = 8.0
"""A pedal that jumps or mutes follows drift at most this often."""

BEND_WINDOW_S = 8.0
"""The tape's own bend is measured over this time."""

LONGEST_MOVE_S = 1.0
"""After a time without a beat a clock does not make up at once for the time in which it could not move."""

_OCTAVES = sorted(range(-4, 5), key=abs)


class ClockPolicy:
    """Decides the tempo of the one clock that a port carries.

    Args:
        pedals: The pedals on the port, at least one; all listen to one deck at one ratio. The strictest limit counts.
    """

    def __init__(self, pedals: tuple[Pedal, ...]) -> None:
        self.pedals = pedals
        self.deck = pedals[0].listens_to
        self._ratio = pedals[0].ratio
        self._folded: Fraction | None = None
        self._slew = (ratio_of_cents(BEND_CENTS) - 1.0) / max(pedal.repeats_heard for pedal in pedals)
        self._jumps = any(pedal.on_change != "glides" for pedal in pedals)
        self._tempo: float | None = next((p.begin_tempo for p in pedals if p.begin_tempo is not None), None)
        self._begun = False
        self._moving = False
        self._moved_at = -inf
        self._heard_at = inf
        self._heard: deque[tuple[float, float]] = deque()

    @property
    def tempo(self) -> float | None:
        """Tempo that the clock was last told, in bpm; None before it was told any."""
        return self._tempo

    def resume(self, told: PedalTold) -> None:
        """Take over what an earlier policy told the port, after a restart."""
        self._tempo, self._begun, self._folded = told.tempo, True, Fraction(told.ratio).limit_denominator(64)

    def hear(self, at: float, tempo: float, *, step: bool = False) -> list[PedalTold]:
        """Return what the port's pedals are told now that the deck is heard at ``tempo``.

        Call it a few times a second while the deck's beat is followed.

        Args:
            at: Time in seconds, of any one clock; never less than at the call before.
            tempo: The deck's tempo in bpm.
            step: The deck stepped (another tape, a speed switch), so no value between is sent.

        Returns:
            One order a pedal, or none where nothing moves.
        """
        ratio = self._fold(tempo)
        wanted = min(TEMPO_MAX, max(TEMPO_MIN, tempo * float(ratio)))
        folded = self._folded is not None and ratio != self._folded
        step = step or folded or self._tempo is None or not self._begun or _apart(wanted, self._tempo) > STEP_RATIO - 1
        if step:
            self._heard.clear()
        self._heard.append((at, period_s(wanted)))
        while self._heard[0][0] < at - BEND_WINDOW_S:
            self._heard.popleft()
        reason = "fold" if folded or (not self._begun and ratio != self._ratio) else "step" if self._begun else "begin"
        moved = self._step_to(wanted) if step else self._drift_to(wanted, at)
        self._heard_at = at
        if not moved or self._tempo is None:
            return []
        self._folded, self._begun, self._moved_at = ratio, True, at
        why = reason if step else "drift"
        return [
            PedalTold(at=at, pedal=pedal.name, deck=self.deck, tempo=self._tempo, ratio=float(ratio), why=why)
            for pedal in self.pedals
        ]

    def _step_to(self, wanted: float) -> bool:
        moved = not self._begun or self._tempo is None or _apart(wanted, self._tempo) > SEAT
        self._tempo, self._moving = wanted, False
        return moved

    def _drift_to(self, wanted: float, at: float) -> bool:
        assert self._tempo is not None
        apart = _apart(wanted, self._tempo)
        if self._jumps:
            if apart <= JUMP or at < self._moved_at + JUMP_EVERY_S:
                return False
            self._tempo = wanted
            return True
        self._moving = apart > (SEAT if self._moving else REST)
        if not self._moving:
            return False
        most = (self._slew + self._own_bend()) * min(LONGEST_MOVE_S, max(0.0, at - self._heard_at))
        period, target = period_s(self._tempo), period_s(wanted)
        self._tempo = 60.0 / (period + min(most, max(-most, target - period)))
        return most > 0

    def _own_bend(self) -> float:
        """Seconds a second by which the heard period itself moves: the tape's own bend."""
        (first_at, first), (last_at, last) = self._heard[0], self._heard[-1]
        return abs(last - first) / (last_at - first_at) if last_at > first_at + 1.0 else 0.0

    def _fold(self, tempo: float) -> Fraction:
        """Return the ratio, moved by the fewest octaves that bring delay time and clock within the pedals' limits.

        The octave in use is kept while it fits, so that a tempo at the edge of a limit does not fold to and fro. Where
        no octave fits, the one that is least far outside is taken.
        """
        slowest = max(max(p.tempo[0], 60_000.0 / p.delay_ms[1]) for p in self.pedals)
        fastest = min(min(p.tempo[1], 60_000.0 / p.delay_ms[0]) for p in self.pedals)
        choices = [self._ratio * Fraction(2) ** octave for octave in _OCTAVES]
        if self._folded is not None and self._folded != self._ratio and self._folded in choices:
            middle = (slowest * 1.02, fastest / 1.02)  # come back only when clear of the edge
            if not middle[0] <= tempo * float(self._ratio) <= middle[1]:
                choices.insert(0, self._folded)

        def outside(ratio: Fraction) -> float:
            clock = tempo * float(ratio)
            return max(0.0, log2(slowest / clock), log2(clock / fastest))

        return min(choices, key=outside)  # the first of equals: the fewest octaves


def policies_of(pedals: tuple[Pedal, ...]) -> tuple[ClockPolicy, ...]:
    """Return one policy a port that carries a clock, in the order in which the ports are first named."""
    clocked = [pedal for pedal in pedals if pedal.clocked]
    ports = dict.fromkeys(pedal.port for pedal in clocked)
    return tuple(ClockPolicy(tuple(p for p in clocked if p.port == port)) for port in ports)


def _apart(tempo: float, other: float) -> float:
    return abs(tempo / other - 1.0)
