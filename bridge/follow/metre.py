"""Where kick and snare fall: on the beats, half-way between them, or on every second beat alone.

The net hears kick and snare apart from beats. Which of two places half a beat apart is the beat it may well mistake, or
which of two octaves, and then it stays with it, as a listener does. But over bars kick and snare mostly stand on the
beats, and where the kick stands on every second one, the snare stands on the others (common practice, no source). So
both are averaged for some seconds on the circle of one beat, and on the circle of two.

Source of the averages: circular statistics, as in `bridge.follow.step`.
"""

from __future__ import annotations

from cmath import exp as turned
from math import pi

_KEPT = 1.0 - 1.0 / 800.0  # a hop: drums count for about 8 s
_HALF_OFF = -0.2  # of the mean cosine of drums: right beats of 36 tapes had 0.0 to 0.7
_ENOUGH, _FEW_KICKS, _MANY_KICKS = 6.0, 3.0, 3.5  # drums that must have been heard
_SAME = 0.1  # share by which the tempo may move from one call to the next and still be one
_OFTEN, _AGAINST = 0.55, -0.1  # kicks in step, and snares half a turn beside them: right octaves had .45 and less


class _Circle:
    """Kicks and snares on a circle."""

    def __init__(self) -> None:
        self.kick = self.snare = 0j
        self.kicks = self.snares = 0.0

    def fade(self, kept: float) -> None:
        self.kick, self.snare = self.kick * kept, self.snare * kept
        self.kicks, self.snares = self.kicks * kept, self.snares * kept

    def add(self, place: float, kick: float, snare: float) -> None:
        """Take in drums at a place, in turns."""
        at = turned(2j * pi * place)
        self.kick, self.snare = self.kick + kick * at, self.snare + snare * at
        self.kicks, self.snares = self.kicks + kick, self.snares + snare

    def has_kick_alone(self, enough: float) -> bool:
        """Return whether so many kicks fall at one place, and the snare not opposite of it."""
        kick = abs(self.kick)
        if self.kicks < enough or kick < _OFTEN * self.kicks:
            return False
        return (self.snare * self.kick.conjugate()).real / kick >= _AGAINST * self.snares


class Metre:
    """Takes in how much each hop is like a kick or a snare, and now and then where the beat is.

    Attributes:
        lean: Whether drums fall on the beats (1) or half-way between them (-1), or as often here as there (0); 0 until
            enough of them were heard.
    """

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self.lean = self._place = self._turn = 0.0
        self._one, self._two = _Circle(), _Circle()
        self._waiting: list[tuple[float, float]] = []

    def hear(self, kick: float, snare: float) -> None:
        """Take in the probabilities of a kick and of a snare at one more hop."""
        self._waiting.append((kick, snare))

    def believe(self, phase: float, turn: float) -> None:
        """Take in where the beat has been since the last call, and tell `lean` anew.

        Args:
            phase: Place in the beat at the newest hop, as drums show it there; whole beats aside.
            turn: Beats a hop.
        """
        if abs(turn - self._turn) > _SAME * turn:
            self._two = _Circle()
        self._turn = turn
        self._place += turn * len(self._waiting)
        self._place = phase + round(self._place - phase)
        kept = _KEPT ** len(self._waiting)
        self._one.fade(kept)
        self._two.fade(kept)
        for back, (kick, snare) in enumerate(reversed(self._waiting)):
            place = self._place - back * turn
            self._one.add(place, kick, snare)
            self._two.add(place / 2, kick, snare)
        self._waiting.clear()
        drums = self._one.kicks + self._one.snares
        self.lean = (self._one.kick + self._one.snare).real / drums if drums >= _ENOUGH else 0.0

    @property
    def is_half_off(self) -> bool:
        """Whether the beat is clearly half-way between those that were told."""
        return self.lean < _HALF_OFF

    @property
    def is_each_beat(self) -> bool:
        """Whether the kick falls on each beat and the snare not between: half of each is no beat."""
        return self._one.has_kick_alone(_FEW_KICKS) and self._one.kick.real > 0

    @property
    def since_kick(self) -> float | None:
        """Beats from the last one with a kick to the newest hop, 0..2, if every second beat alone is one; else None."""
        if not self._two.has_kick_alone(_MANY_KICKS):
            return None
        odd = self._two.kick.real < 0
        return (self._place - odd) % 2.0
