"""Is what is heard in step with the beat that is believed? A beat that would explain any stroke explains nothing.

The belief bends. Strokes without a pulse (footsteps that falter, a tape that is wound) pull its strongest beat from one
tempo to the next, and at every moment one looks likely. But strokes of a beat fall at one place of it, or at two, and
strokes without a pulse anywhere. What is told here is how far the strokes' places agree: the length of their mean on
the circle of the beat, or of the half beat, whichever is longer.

Source: resultant length of circular statistics, K. V. Mardia, "Statistics of Directional Data", 1972. The strokes are
the net's probabilities of a beat.
"""

from __future__ import annotations

from cmath import exp as turned
from math import exp, pi

_KEPT = 1.0 - 1.0 / 400.0  # a hop: strokes count for about 4 s
_KEPT_LONGER = 1.0 - 1.0 / 800.0  # the same for how many there were, so that slow beats are enough as well
_ENOUGH = 4.2  # strength of strokes below which `share` is lessened: three or four fit one tempo or another
_FEW = 2.0  # so much strength counts as out of step to begin with: one stroke alone is always in step with itself


class InStep:
    """Takes in how much each hop is like a beat, and now and then where the believed beat is.

    Attributes:
        share: 0 (anywhere, or too little heard) to 1 (all at one place of the beat or half beat).
    """

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self.share = self._strokes = 0.0
        self._whole = self._half = 0j
        self._all = 0.0
        self._waiting: list[float] = []

    def hear(self, odds: float) -> None:
        """Take in one more hop's log odds of a beat."""
        self._waiting.append(1.0 / (1.0 + exp(-max(-30.0, min(30.0, odds)))))

    def believe(self, phase: float, turn: float) -> None:
        """Take in where the believed beat has been since the last call, and tell `share` anew.

        Args:
            phase: Place in the beat at the newest hop, 0..1.
            turn: Beats a hop.
        """
        kept = _KEPT ** len(self._waiting)
        self._whole, self._half, self._all = self._whole * kept, self._half * kept, self._all * kept
        for back, strength in enumerate(reversed(self._waiting)):
            place = turned(2j * pi * (phase - back * turn))
            self._whole += strength * place
            self._half += strength * place * place
            self._all += strength
        self._strokes = self._strokes * _KEPT_LONGER ** len(self._waiting) + sum(self._waiting)
        self._waiting.clear()
        self.share = max(abs(self._whole), abs(self._half)) / (self._all + _FEW)
        if self._strokes < _ENOUGH:
            self.share *= (self._strokes / _ENOUGH) ** 2
