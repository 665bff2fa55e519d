"""Sound in, beats out: features, activation, belief and announcer in a row."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.training.heart.activation import LATE_FRAMES, TEMPO_BINS, TEMPO_HIGH, TEMPO_LOW, Activation
from tests.training.heart.announce import Announcer, BeatTold
from tests.training.heart.belief import Belief, Habits, Likelihoods
from tests.training.heart.features import Features
from tests.training.heart.prior import tempo_prior

TEMPO_STEP = 0.0125
"""Ratio between neighbouring tempos of the belief, less 1."""


class Heart:
    """Hears one deck, frame by frame, and announces its beats.

    Args:
        rate: Frames of sound per second.
        weights: The file that ``tests/training`` wrote: net and likelihoods.
        tempo_range: Lowest and highest tempo in bpm, at the speed that the deck plays.
        hint: A tempo told by a card or by taps, in bpm; None where nothing is known.

    Raises:
        ValueError: ``rate`` is too low, the range is empty, or the hint is not above 0.
    """

    def __init__(
        self, rate: float, weights: Path, tempo_range: tuple[float, float] = (30.0, 220.0), hint: float | None = None
    ) -> None:
        low, high = tempo_range
        if not 0 < low < high:
            raise ValueError(f"tempo_range must be two tempos above 0 bpm in order, got {tempo_range!r}")
        self._features = Features(rate)
        self.hop = self._features.hop
        """Frames of sound in each frame of features."""
        self._activation = Activation(weights)
        frames_per_s = rate / self.hop
        tempos = np.exp(np.arange(np.log(low), np.log(high), np.log1p(TEMPO_STEP)))
        self.belief = Belief(
            tempos,
            tempo_prior(tempos, hint),
            frames_per_s,
            _likelihoods(weights),
            Habits(),
            (TEMPO_BINS, TEMPO_LOW, TEMPO_HIGH),
        )
        self._announcer = Announcer(self.belief, frames_per_s, LATE_FRAMES)

    def hear(self, samples: NDArray[np.float32]) -> BeatTold | None:
        """Return the beat that one more frame of sound, shape (hop,), lets us announce; None where there is none."""
        heard = self._activation.hear(self._features.hear(samples))
        self.belief.hear(heard.beat, heard.present, heard.tempo, heard.phase)
        return self._announcer.read(heard.present)


def _likelihoods(weights: Path) -> Likelihoods:
    with np.load(weights) as z:
        activation, phase, tempo, present = (float(x) for x in z["weights"])
        return Likelihoods(z["edges"], z["table"], float(z["present_bias"]), (activation, phase, tempo, present))
