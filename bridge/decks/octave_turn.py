"""Did the beat move to another octave and the sound to another one, for good? Then another tape may play, or speed.

A tape at half or twice the tempo, or a switch of speed that the spectrum does not give away, leaves the beat where it
was, but for its octave. A drummer who plays half as fast for a while does the same to the beat, yet not to the sound.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from bridge.decks.speed import HOPS_A_BLOCK, SpeedWatch

_BEFORE, _LEAST_BEFORE = 230, 58  # blocks, 60 s, and 15 s of them: in the octave that is counted, as far as was heard
_AFTER = 38  # blocks, 10 s: then in another
_MOST = 0.9  # part of those looks that must say so
# Blocks, 6 s, over which the sound is taken: the newest, and those that ended 6 s before the octave moved.
_SOUND = 23
# One tape's sound moved by up to 2.0 dB, that of tapes and speeds by 3.3 and more: chosen on four draws of the
# development corpus (tests/training/README.md, --seed 20 to 23).
_APART_DB = 2.7


class OctaveTurn:
    """Watches in which octave the beat is heard, over the last 70 s."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Begin anew: what comes has nothing to do with what was."""
        self._hops = 0
        self._looks: deque[int | None] = deque(maxlen=_BEFORE + _AFTER)

    def hear(self, octaves: int | None, sound: SpeedWatch) -> bool:
        """Take in one hop, and return whether with it beat and sound have turned.

        Args:
            octaves: By how many the beat is heard above the one that is counted; None where none is followed.
            sound: What the deck sounded like, up to this hop.
        """
        self._hops = (self._hops + 1) % HOPS_A_BLOCK
        if self._hops:
            return False
        self._looks.append(octaves)
        if not octaves or not self._moved_to(octaves) or not _turned(sound):
            return False
        self.forget()
        return True

    def _moved_to(self, octaves: int) -> bool:
        """Return whether it is heard there for long, and was not before."""
        looks = list(self._looks)
        before, after = [look for look in looks[:-_AFTER] if look is not None], looks[-_AFTER:]
        is_long = before.count(0) >= max(_LEAST_BEFORE, _MOST * len(before))
        return is_long and after.count(octaves) > _MOST * _AFTER


def _turned(sound: SpeedWatch) -> bool:
    before, now = sound.profile(_AFTER + _SOUND, _SOUND), sound.profile(0, _SOUND)
    return before is not None and now is not None and float(np.std(now - before)) >= _APART_DB
