"""The follower's own sense of the beat: what each hop says, weighed by the belief over tempo and phase."""

from __future__ import annotations

from itertools import repeat
from math import exp, log1p

import numpy as np

from bridge.follow.activation import LATE_HOPS
from bridge.follow.belief import Belief
from bridge.follow.evidence import Evidence, Learned
from bridge.follow.features import Hop, hop_frames
from bridge.follow.line import Sight
from bridge.follow.prior import DOUBT, limits, middle, tempo_prior
from bridge.follow.step import InStep

TEMPO_STEP = 0.016
"""Ratio between neighbouring tempos of the belief, less 1."""

_PRESENT_OVER = 30.0  # hops
_STROKE = -2.2  # log odds of a beat, 0.1, that counts as a stroke: drums have one in nearly every beat, a bed seldom
_RESTS = 250  # hops without any, after which there is no beat to follow, whatever the net still makes of what was
_DEAF = 150  # hops in which a net that starts anew does not know yet whether there is a beat
_MOST_WAITING = 16  # hops: more than pass from one question to the next
_SLOW = 0.4  # hops by which right beats were placed late without it: 2.5 and 5.2 ms in 2 x 40 training scenes
_LATE = LATE_HOPS + 0.5 + _SLOW  # from the end of a hop to the middle of the one that a beat of phase 0 fell into


class BelievedBeat:
    """Evidence and belief together, as `bridge.follow.sense.Sense` has it.

    Args:
        tempo_range: Slowest and fastest tempo of the deck in bpm.
        rate: Frames per second.
        learned: What training left.
    """

    def __init__(self, tempo_range: tuple[float, float], rate: int, learned: Learned) -> None:
        self._hops_per_s = rate / hop_frames(rate)
        self._middle = middle(tempo_range)
        low, high = limits(tempo_range)
        self._tempos = np.exp(np.arange(np.log(low), np.log(high), log1p(TEMPO_STEP)))
        self._evidence = Evidence(learned, self._tempos)
        self._belief = Belief(self._tempos, tempo_prior(self._tempos, self._middle), self._hops_per_s)
        self._step = InStep() if learned.net is not None else None
        self._present = 0.0
        self._hops = self._deaf = self._stroke = 0
        self._waiting: list[Hop] = []

    @property
    def present(self) -> float:
        """Probability that there is a beat to follow: what the belief says, and the net agrees to."""
        self._catch_up()
        if self._step is not None and self._hops - self._stroke > _RESTS:
            return 0.0
        if self._hops < self._deaf:
            return self._belief.present
        return min(self._belief.present, self._present)

    @property
    def in_step(self) -> float:
        """How far the net's beats fall in step with the believed one, 0 (anywhere) to 1; 1 without a net."""
        return 1.0 if self._step is None else self._step.share

    def hear(self, hop: Hop) -> None:
        """Take in one more hop, to be weighed with others by the time that anything is asked."""
        self._waiting.append(hop)
        if len(self._waiting) >= _MOST_WAITING:
            self._catch_up()

    def sight(self, hop: int) -> Sight:
        """Return the strongest beat of the belief; ``hop`` is the follower's number of the newest hop."""
        self._catch_up()
        peak = self._belief.peak()
        if self._step is not None:
            self._step.believe(peak.phase, peak.tempo / (60.0 * self._hops_per_s))
        return Sight.of(peak, hop, _LATE, self._hops_per_s)

    def reckon_with(self, tempo: float | None, doubt: float = DOUBT, since: float | None = None) -> None:
        """Take in that about this tempo in bpm is to be expected, or none.

        Args:
            tempo: In bpm.
            doubt: The part that may be wrong.
            since: Hops since a beat fell at that tempo, where it is likely to go on unheard.
        """
        self._catch_up()
        self._evidence.is_told = tempo is not None and since is None  # of a held tempo the net may know better
        awaited = None if tempo is None or since is None else (since - _LATE, 60.0 * self._hops_per_s / tempo)
        self._belief.expect(tempo_prior(self._tempos, self._middle, tempo, doubt), awaited)

    def rely_on_rhythm(self, is_new: bool) -> None:
        """Take in whether the beat that is followed was caught not long ago: its rhythm then counts for more."""
        self._evidence.is_new = is_new

    def assume(self, tempo: float, since: float, share: float) -> None:
        """Let a told beat count for a share, 0..1: its tempo in bpm, and the hops since it fell."""
        self._catch_up()
        phase = ((since - _LATE) * tempo / (60.0 * self._hops_per_s)) % 1.0
        self._belief.assume(tempo_prior(self._tempos, tempo, tempo), phase, share)

    def turn_half(self) -> None:
        """Take in that every beat falls half a period later than believed: the net is read so from now on."""
        self._catch_up()
        self._evidence.is_half_off = not self._evidence.is_half_off
        self._belief.turn_half()

    def forget(self) -> None:
        """Begin as with the first hop."""
        self._catch_up()
        self._belief.forget()
        self._evidence.renew()
        self._evidence.is_half_off = False
        if self._step is not None:
            self._step.forget()
        self._present = 0.0
        self._deaf = 0

    def renew(self) -> None:
        """Take in that what comes has nothing to do with what was, but for the belief."""
        self._catch_up()
        self._evidence.renew()
        self._deaf = self._hops + _DEAF

    def _catch_up(self) -> None:
        """Weigh the hops that wait."""
        if not self._waiting:
            return
        weighed = self._evidence.hear(self._waiting)
        self._waiting.clear()
        by_tempo = repeat(None) if weighed.by_tempo is None else weighed.by_tempo
        for of_hop in zip(weighed.by_kind, by_tempo, strict=False):
            self._belief.hear(*of_hop)
        present = [1.0] * len(weighed.by_kind)
        if self._step is not None and weighed.net is not None:
            present = [_share(odds) for odds in weighed.net.present.tolist()]
            for hop, odds in enumerate(weighed.net.beat.tolist(), self._hops + 1):
                self._step.hear(odds)
                if odds > _STROKE:
                    self._stroke = hop
        for share in present:
            self._present += (share - self._present) / _PRESENT_OVER
        self._hops += len(present)


def _share(odds: float) -> float:
    return 1.0 / (1.0 + exp(-max(-30.0, min(30.0, odds))))
