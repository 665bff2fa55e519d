"""From the belief to beats: when is the next one, and is it worth saying."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

from tests.training.heart.belief import Belief

HEARD_FRAMES = 40
"""Frames over which the net's word on whether there is a beat is smoothed."""

BEGIN, END = 0.6, 0.4
"""Probability of a beat from which beats are announced, and below which no more."""


@dataclass(frozen=True, slots=True)
class BeatTold:
    """A beat, announced at or before its time.

    Attributes:
        frame: When it falls, in frames of features since the sound began.
        known: The frame at whose end it was announced.
        tempo: Tempo in bpm.
        confidence: 0..1, mass of the belief's strongest peak.
    """

    frame: float
    known: int
    tempo: float
    confidence: float


class Announcer:
    """Announces each beat once, from the strongest peak of the belief.

    Args:
        belief: What to read.
        frames_per_s: Frames of features a second.
        late_frames: How many frames after its time a beat shows in the belief.
        lead_frames: A beat is announced when it is this near.
        apart: Least distance of two beats, in periods.
    """

    def __init__(
        self, belief: Belief, frames_per_s: float, late_frames: int, lead_frames: float = 4.0, apart: float = 0.6
    ) -> None:
        self._belief, self._rate = belief, frames_per_s
        self._late, self._lead, self._apart = late_frames, lead_frames, apart
        self._frame = -1
        self._last = float("-inf")
        self._active = False
        self._heard = 0.0

    def read(self, present_odds: float) -> BeatTold | None:
        """Return the beat that the belief, after one more frame, puts near; None where there is none.

        Args:
            present_odds: Log odds of the net that there is a beat to follow.
        """
        self._frame += 1
        self._heard += (1 / (1 + exp(-max(-30.0, min(30.0, present_odds)))) - self._heard) / HEARD_FRAMES
        present = min(self._belief.present, self._heard)
        self._active = present > (END if self._active else BEGIN)
        if not self._active:
            return None
        tempo, phase, weight = self._belief.peak()
        period = 60 * self._rate / tempo
        # A beat that showed in this very frame (phase 0) fell late_frames ago, in the middle of its frame.
        ahead = (1 - phase) * period if phase > 0.5 else -phase * period
        at = self._frame + 0.5 - self._late + ahead
        if at > self._frame + 1 + self._lead or at < self._last + self._apart * period:
            return None
        if at < self._frame + 1 - 2 * self._late - 4:  # gone by too long ago to be of use
            return None
        self._last = at
        return BeatTold(at, self._frame, tempo, weight)
