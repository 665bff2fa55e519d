"""What a follower hears a beat with: the belief over net and onsets, or another tracker in its place.

The states of a follower, its line and its beats are the same with each, so that all that listens to it is, too.
"""

from __future__ import annotations

from typing import Protocol

from bridge.follow.aubio_beat import AubioBeat
from bridge.follow.believed import BelievedBeat
from bridge.follow.evidence import Learned
from bridge.follow.features import Hop
from bridge.follow.line import Sight
from bridge.follow.prior import DOUBT
from bridge.rig import Deck


class Sense(Protocol):
    """Takes in hop after hop, and tells at any of them where it hears a beat."""

    @property
    def present(self) -> float:
        """Probability that there is a beat to follow, 0..1."""

    @property
    def in_step(self) -> float:
        """How far what is heard falls in step with the beat, 0 (anywhere) to 1; 1 where that cannot be told."""

    def hear(self, hop: Hop) -> None:
        """Take in one more hop."""

    def sight(self, hop: int) -> Sight:
        """Return the beat that is heard, of weight 0 for none; ``hop`` is the follower's number of the newest hop."""

    def reckon_with(self, tempo: float | None, doubt: float = DOUBT, since: float | None = None) -> None:
        """Take in that about this tempo in bpm is to be expected, or none.

        Args:
            tempo: In bpm.
            doubt: The part that may be wrong.
            since: Hops since a beat fell at that tempo, where it is likely to go on unheard.
        """

    def rely_on_rhythm(self, is_new: bool) -> None:
        """Take in whether the beat that is followed was caught not long ago: its rhythm then counts for more."""

    def assume(self, tempo: float, since: float, share: float) -> None:
        """Let a told beat count for a share, 0..1: its tempo in bpm, and the hops since it fell."""

    def turn_half(self) -> None:
        """Take in that every beat falls half a period later than told."""

    def forget(self) -> None:
        """Begin as with the first hop."""

    def renew(self) -> None:
        """Take in that what comes has nothing to do with what was."""


def sense_of(deck: Deck, rate: int, learned: Learned) -> Sense:
    """Return what a deck's rig asks for: the learned net beside onsets, onsets alone, or aubio's tempo tracker.

    Args:
        deck: The deck.
        rate: Frames per second.
        learned: What training left; without a net in it onsets stand in.
    """
    if deck.follower == "aubio":
        return AubioBeat(rate)
    return BelievedBeat(deck.tempo_range, rate, learned if deck.follower == "net" else learned.onsets_alone())
