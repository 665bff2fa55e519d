"""The belief over tempo and phase: a state-space filter, one frame after the other.

A state is a tempo and the time since the last beat; beside them stands one null state, "no beat". With each frame
(1) time goes on: every state gets one frame older; (2) where a period is full, a beat falls: the state is born again,
at the same tempo, a little beside it, or rarely anywhere; (3) every state is weighed by how well it explains what the
net heard (Bayes). The belief is the product of all that, and a beat is announced from its strongest peak.

The trick that makes it cheap: a state is stored by the frame of its birth, not by its age, so that growing older moves
nothing; only one column a frame, the newborn, is written.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

PHASE_BINS = 24

Scalar = TypeVar("Scalar", bound=np.generic)


@dataclass(frozen=True)
class Likelihoods:
    """How much more likely a heard value is in a state than without any beat.

    Attributes:
        edges: Shape (q - 1,), ascending: bounds of the q levels of the activation's log odds.
        table: Shape (classes, q), natural logarithm of p(level | class) / p(level | no beat).
        present_bias: Log odds of the "present" head where a beat is as likely as none.
        weights: How much of each log ratio counts (frames are far from independent): activation, phase, tempo, present.
    """

    edges: NDArray[np.float32]
    table: NDArray[np.float32]
    present_bias: float
    weights: tuple[float, float, float, float]


NEAR, HALF_NEAR = 6, 3
CLASSES = 2 * NEAR + 1 + 2 * HALF_NEAR + 1 + 2


def phase_class(age: NDArray[np.float64], period: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the class of states for the activation's table.

    Classes tell frames from the beat (-6..6), else frames from the half beat (-3..3), else near a quarter or not.

    Args:
        age: Frames since the last beat.
        period: Frames in a beat; broadcasts with ``age``.
    """
    beat = np.rint(np.where(age <= period / 2, age, age - period))
    half = np.rint(age - period / 2)
    quarter = np.abs(np.abs(age / period - 0.5) - 0.25) * period <= 2
    out = np.where(quarter, CLASSES - 2, CLASSES - 1)
    out = np.where(np.abs(half) <= HALF_NEAR, 2 * NEAR + 1 + half + HALF_NEAR, out)
    return np.where(np.abs(beat) <= NEAR, beat + NEAR, out).astype(np.int64)


@dataclass(frozen=True)
class Habits:
    """How tapes and hands behave, as numbers of the filter.

    Attributes:
        spread: Standard deviation of the change of tempo at a beat, as a ratio.
        jump: Probability of another tempo at a beat.
        lost: Probability per frame that a beat ends.
        found: Probability per frame that a beat begins.
        loose: Probability that a beat falls one frame early, and the same for late.
        pull: How much of the prior (its logarithm) counts again at each beat.
        restart: Probability per frame that another beat begins at once: another tape, a hand.
        trust: How much of the net's word on the tempo counts for where a beat begins anew.
    """

    spread: float = 0.008
    jump: float = 5e-4
    lost: float = 2e-4
    found: float = 2e-3
    loose: float = 0.08
    pull: float = 0.3
    restart: float = 3e-4
    trust: float = 1.0


class Belief:
    """The filter.

    Args:
        tempos: Shape (rows,), bpm, in equal ratios, ascending.
        prior: Shape (rows,), probability of each tempo.
        frames_per_s: Frames of features per second.
        likelihoods: What was fitted on training data.
        habits: How tempo moves.
        tempo_bins: How many tempos the net tells, from ``tempo_low`` to ``tempo_high`` in equal ratios.
    """

    def __init__(
        self,
        tempos: NDArray[np.float64],
        prior: NDArray[np.float64],
        frames_per_s: float,
        likelihoods: Likelihoods,
        habits: Habits,
        tempo_bins: tuple[int, float, float],
    ) -> None:
        self.tempos = tempos
        self._periods = 60 * frames_per_s / tempos
        rows = len(tempos)
        self._whole = np.floor(self._periods).astype(np.int64)
        self._part = (self._periods - self._whole).astype(np.float32)
        self._size = size = int(self._whole.max()) + 3
        self._like, self._habits = likelihoods, habits
        self._prior = prior
        ages = np.arange(size)[None, :]
        valid = ages <= self._whole[:, None] + 1
        classes = np.where(valid, phase_class(ages.astype(float), self._periods[:, None]), CLASSES - 1)
        bins = np.floor(ages / self._periods[:, None] * PHASE_BINS + 0.5).astype(np.int64) % PHASE_BINS
        even = np.where(valid, 1 / self._periods[:, None], 0)
        self._class_of = _rolled(classes.astype(np.int16) * PHASE_BINS + bins)
        self._turn_of = _rolled((ages / self._periods[:, None]).astype(np.float32))
        self._even_of = _rolled(even.astype(np.float32))
        self._change = self._transitions()
        low, high = np.log(tempo_bins[1]), np.log(tempo_bins[2])
        place = (np.log(tempos) - low) / (high - low) * tempo_bins[0]
        self._tempo_bin = np.clip(place.astype(np.int64), 0, tempo_bins[0] - 1)
        self._row = np.arange(rows)
        self._mass = np.zeros((rows, size), np.float32)
        self._null = 1.0
        self._frame = 0

    def _transitions(self) -> NDArray[np.float32]:
        logs = np.log(self._periods)
        near = np.exp(-0.5 * ((logs[:, None] - logs) / self._habits.spread) ** 2)
        near /= near.sum(axis=1, keepdims=True)
        pulled = near * self._prior**self._habits.pull
        pulled *= near.max() / pulled.max()
        return ((1 - self._habits.jump) * pulled).astype(np.float32)

    @property
    def present(self) -> float:
        """Probability that there is a beat."""
        return 1 - self._null

    def hear(self, beat: float, present: float, tempo: NDArray[np.float32], phase: NDArray[np.float32]) -> None:
        """Take in what the net said of one frame (see `Heard`)."""
        n, size, mass, habits, like = self._frame, self._size, self._mass, self._habits, self._like
        anew = self._prior * np.exp(habits.trust * tempo[self._tempo_bin])
        anew /= anew.sum()
        self._grow(n, anew)
        view = slice(size - 1 - n % size, 2 * size - 1 - n % size)
        there = 1 - self._null
        mass *= 1 - habits.lost - habits.restart
        begun = habits.found * self._null + habits.restart * there
        mass += self._even_of[:, view] * (begun * anew).astype(np.float32)[:, None]
        self._null += habits.lost * there - habits.found * self._null
        level = int(np.searchsorted(like.edges, beat))
        w_beat, w_phase, w_tempo, w_present = like.weights
        by_phase = w_phase * (phase + np.log(PHASE_BINS))
        log_ratio = w_beat * like.table[:, level, None] + by_phase
        log_ratio += w_present * np.clip(present - like.present_bias, -4, 4)
        mass *= np.exp(log_ratio).astype(np.float32).ravel().take(self._class_of[:, view])
        by_tempo = w_tempo * (tempo + np.log(len(tempo)))
        mass *= np.exp(np.clip(by_tempo, -1, 1)).astype(np.float32)[self._tempo_bin, None]
        total = float(mass.sum()) + self._null
        mass *= 1 / total
        self._null /= total
        self._frame += 1

    def _grow(self, n: int, anew: NDArray[np.float64]) -> None:
        """Let the beats of this frame fall: what is full is born again in this frame's column."""
        size, mass, loose = self._size, self._mass, self._habits.loose
        born = np.zeros(len(self._row), np.float32)
        for early, share in ((1, loose), (0, 1 - self._part * (1 - loose)), (-1, 1.0)):
            at = (n - self._whole + early) % size
            full = mass[self._row, at] * share
            born += full
            mass[self._row, at] -= full
        jumped = self._habits.jump * float(born.sum())
        mass[:, n % size] = born @ self._change + (jumped * anew).astype(np.float32)

    def peak(self) -> tuple[float, float, float]:
        """Return tempo in bpm, phase 0..1 (0 is the beat) and mass of the strongest peak, by its posterior mean."""
        n, size = self._frame - 1, self._size
        by_tempo = self._mass.sum(axis=1)
        smooth = np.convolve(by_tempo, np.ones(5, np.float32), "same")
        centre = int(smooth.argmax())
        rows = slice(max(0, centre - 4), centre + 5)
        mass = self._mass[rows]
        turn = self._turn_of[rows, size - 1 - n % size : 2 * size - 1 - n % size]
        bins = (turn * 32).astype(np.int64) % 32
        histogram = np.bincount(bins.ravel(), mass.ravel(), 32)
        ring = np.concatenate([histogram[-3:], histogram, histogram[:3]])
        wide = np.convolve(ring, np.ones(7), "valid")
        top = (int(wide.argmax()) + 0.5) / 32
        away = (turn - top + 0.5) % 1.0 - 0.5
        near = np.where(np.abs(away) < 0.12, mass, 0)
        weight = float(near.sum())
        if not weight > 0:
            return float(self.tempos[centre]), 0.0, 0.0
        phase = (top + float((near * away).sum()) / weight) % 1.0
        period = float((near.sum(axis=1) * self._periods[rows]).sum()) / weight
        return float(self.tempos[centre] * self._periods[centre] / period), phase, weight


def _rolled(table: NDArray[Scalar]) -> NDArray[Scalar]:
    """Return a table by age reversed and doubled: slice [size - 1 - n % size :][: size] tells it by birth column."""
    size = table.shape[1]
    # Column c holds the birth frames b with b % size == c; at frame n its age is (n - c) % size.
    # A slice starting at size - 1 - n % size must give age (n - c) % size at position c.
    ages = (size - 1 - np.arange(2 * size)) % size
    return np.ascontiguousarray(table[:, ages])
