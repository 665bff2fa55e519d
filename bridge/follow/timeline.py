"""Beats against frames of sound: what was placed is fixed, what comes is a straight line that may still turn.

The line is fitted to the onsets seen at the last beats, so that one early or late hand moves it little.
"""

from __future__ import annotations

from collections import deque

import numpy as np

BEATS_FITTED = 8
"""Onsets that the line is fitted to on a steady tape."""

_BEATS_TURNING = 4
_LEAN = 0.02
_OUTLIER = 0.03
_NEAREST = 0.6


class Timeline:
    """The newest straight piece of beats against frames.

    Args:
        rate: Frames per second.
        frame: Frame of a beat.
        beat: Its number.
        tempo: In bpm.

    Attributes:
        frame: Frame of the beat ``beat``, with a fraction.
        beat: Number of a beat on the line.
        tempo: Slope of the line, in bpm.
    """

    def __init__(self, rate: int, frame: float, beat: int, tempo: float) -> None:
        self.frame = frame
        self.beat = beat
        self.tempo = tempo
        self._rate = rate
        self._seen: deque[tuple[int, float]] = deque(maxlen=BEATS_FITTED)
        self._off: deque[float] = deque(maxlen=3)

    @property
    def period(self) -> float:
        """Frames a beat."""
        return 60.0 * self._rate / self.tempo

    def beat_at(self, frame: float) -> float:
        """Return the beat, with a fraction, at a frame."""
        return self.beat + (frame - self.frame) / self.period

    def frame_of(self, beat: float) -> float:
        """Return the frame, with a fraction, of a beat."""
        return self.frame + (beat - self.beat) * self.period

    def saw(self, beat: int, frame: float) -> None:
        """Turn the line towards an onset.

        Args:
            beat: The beat that it belongs to, later than any before.
            frame: Where the onset was.
        """
        self._off.append((frame - self.frame_of(beat)) / self.period)
        self._seen.append((beat, frame))
        self._fit()

    def _fit(self) -> None:
        leans = len(self._off) == self._off.maxlen and (min(self._off) > _LEAN or max(self._off) < -_LEAN)
        seen = list(self._seen)[-_BEATS_TURNING if leans else -BEATS_FITTED :]
        beats = np.array([beat for beat, _ in seen], dtype=np.float64) - seen[-1][0]
        frames = np.array([frame for _, frame in seen]) - seen[-1][1]
        period = self.period
        place, slope = self.frame_of(seen[-1][0]) - seen[-1][1], period
        for _ in range(2):
            off = np.abs(frames - place - slope * beats) / period
            place, slope = self._line(beats, frames, np.minimum(1.0, _OUTLIER / np.maximum(off, 1e-9)), place)
        self.beat, self.frame = seen[-1][0], seen[-1][1] + place
        self.tempo = 60.0 * self._rate / slope

    def _line(self, beats: np.ndarray, frames: np.ndarray, weights: np.ndarray, place: float) -> tuple[float, float]:
        """Return place and slope of the weighted line; the line so far counts as one onset, its slope as a long one."""
        period = self.period
        total = weights.sum() + 1.0
        middle_beat = (weights @ beats) / total
        middle_frame = (weights @ frames + place) / total
        spread = weights @ (beats - middle_beat) ** 2 + middle_beat**2 + 2.0
        together = weights @ ((beats - middle_beat) * (frames - middle_frame))
        together += middle_beat * (middle_frame - place) + 2.0 * period
        slope = together / spread
        return float(middle_frame - slope * middle_beat), float(slope)
