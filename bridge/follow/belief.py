"""The belief over tempo and phase: a state-space filter, one hop after the other.

A state is a tempo and the time since the last beat; beside them stands one null state, "no beat". With each hop
(1) time goes on: every state gets one hop older; (2) where a period is full, a beat falls: the state is born again, at
the same tempo, a little beside it, or rarely anywhere; (3) every state is weighed by how well it explains what was
heard (Bayes). A beat is placed by the belief's strongest peak.

The trick that makes it cheap: a state is stored by the hop of its birth, not by its age, so that growing older moves
nothing; only one line a hop, the newborn, is written. What a state of an age means is read from a table that slides
along, whose lines lie in memory as those of the states do.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Scalar = TypeVar("Scalar", bound=np.generic)
Numbers = NDArray[np.float64]

NEAR, HALF_NEAR = 6, 3
CLASSES = 2 * NEAR + 1 + 2 * HALF_NEAR + 1 + 2
HALF_ON = np.arange(CLASSES)
"""The class that lies half a beat on, for those that part beats from their halves; shape (CLASSES,)."""
_BEAT, _HALF = slice(NEAR - HALF_NEAR, NEAR + HALF_NEAR + 1), slice(2 * NEAR + 1, 2 * NEAR + 2 + 2 * HALF_NEAR)
HALF_ON[_BEAT], HALF_ON[_HALF] = HALF_ON[_HALF].copy(), HALF_ON[_BEAT].copy()

PLACES = 24
"""Places in a beat that evidence may tell apart."""

_ROWS_AROUND = 3
_TURN_BINS = 32
# Numbers near the smallest that there is (1e-38) take a processor many times as long: so none comes near it.
_LEAST, _LIFTED_EVERY = np.float32(1e-25), 8
_LEAST_MOVE = 1e-12
_BESIDE = 0.12  # of a period: as far as a peak reaches to both sides
_AWAITED_EVERY = 8  # hops
_AWAITED_WITHIN = 0.08  # of the tempo, to both sides


def phase_class(age: Numbers, period: Numbers) -> NDArray[np.int64]:
    """Return the class of states, 0..CLASSES - 1, that evidence tells apart.

    Classes tell hops from the beat (-6..6), else hops from the half beat (-3..3), else near a quarter or not.

    Args:
        age: Hops since the last beat.
        period: Hops in a beat; broadcasts with ``age``.
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
        lost: Probability per hop that a beat ends.
        found: Probability per hop that a beat begins.
        loose: Probability that a beat falls one hop early, and the same for late.
        pull: How much of the prior (its logarithm) counts again at each beat.
        restart: Probability per hop that another beat begins at once: another tape, a hand.
        back: Probability per hop that a beat that went on unheard is heard again.
        elsewhere: Factor of `found` while such a beat is awaited.
        strays: Standard deviation of the place of what is not heard, in beats, and what each beat of it adds to that.
    """

    spread: float = 0.008
    jump: float = 5e-4
    lost: float = 2e-4
    found: float = 2e-3
    loose: float = 0.08
    pull: float = 0.3
    restart: float = 3e-4
    back: float = 0.016
    elsewhere: float = 0.05
    strays: tuple[float, float] = (0.03, 0.01)


@dataclass(frozen=True, slots=True)
class Peak:
    """Where the belief is strongest.

    Attributes:
        tempo: In bpm.
        phase: Place in the beat at the newest hop, 0..1; 0 is the beat.
        weight: Probability of what lies near it, 0..1.
    """

    tempo: float
    phase: float
    weight: float


class Belief:
    """The filter.

    Args:
        tempos: Shape (rows,), bpm, in equal ratios, ascending.
        prior: Shape (rows,), probability of each tempo.
        hops_per_s: Hops per second.
        habits: How tempo moves.
    """

    def __init__(self, tempos: Numbers, prior: Numbers, hops_per_s: float, habits: Habits | None = None) -> None:
        self.tempos = tempos
        self._habits = habits or Habits()
        self._periods = 60 * hops_per_s / tempos
        rows = len(tempos)
        self._whole = np.floor(self._periods).astype(np.int64)
        self._part = (self._periods - self._whole).astype(np.float32)
        self._size = size = int(self._whole.max()) + 3
        ages = np.arange(size)[None, :]
        valid = ages <= self._whole[:, None] + 1
        classes = np.where(valid, phase_class(ages.astype(float), self._periods[:, None]), CLASSES - 1)
        places = np.floor(ages / self._periods[:, None] * PLACES + 0.5).astype(np.int64) % PLACES
        self._kind_of = _rolled(classes * PLACES + places)
        self._turn_of = _rolled(ages / self._periods[:, None])
        logs = np.log(self._periods)
        self._near = np.exp(-0.5 * ((logs[:, None] - logs) / self._habits.spread) ** 2)
        self._near /= self._near.sum(axis=1, keepdims=True)
        self._row = np.arange(rows)
        # Where beats fall that come one hop early, in time, and late: places in the flat mass, less the present line's.
        self._full_at = (np.array([[1], [0], [-1]]) - self._whole) * rows + self._row
        loose = self._habits.loose
        ones = np.ones(rows)
        self._full_share = np.array([loose * ones, 1 - self._part * (1 - loose), ones], np.float32)
        self._lines = np.ones(size, np.float32)
        self._mass = np.zeros((size, rows), np.float32)  # by birth, then by tempo
        self._flat = self._mass.reshape(-1)  # a view, and quicker to pick from
        self._factor = np.empty((size, rows), np.float32)
        self._null = 1.0
        self._hop = 0
        self._prior = prior
        self._awaited: tuple[float, float] | None = None  # hop and period of a beat that went on its way
        self._change = self._transitions()

    def expect(self, prior: Numbers, awaited: tuple[float, float] | None = None) -> None:
        """Take another prior, shape (rows,): what is believed already is weighed anew by it.

        Args:
            prior: Probability of each tempo.
            awaited: Hops since the last beat, and hops in a beat, of one that is likely to go on unheard; None for
                none. The longer it is not heard, the less is known of its place.
        """
        self._awaited = None if awaited is None else (self._hop - 1 - awaited[0], awaited[1])
        ratio = np.clip(prior / np.maximum(self._prior, 1e-12), 1e-3, 1e3)
        self._prior = prior
        self._change = self._transitions()
        self._mass *= ratio.astype(np.float32)
        self._normalise()

    def forget(self) -> None:
        """Believe in no beat, as at the beginning."""
        self._mass[:] = 0.0
        self._null = 1.0

    def assume(self, weights: Numbers, phase: float, share: float) -> None:
        """Let a told beat count: put ``share`` of the belief at tempos by ``weights``, at one place in the beat.

        Args:
            weights: Shape (rows,), sums to 1.
            phase: Place in the beat at the newest hop, 0..1.
            share: 0..1.
        """
        self._mass *= 1.0 - share
        self._null *= 1.0 - share
        age = np.rint(phase * self._periods).astype(np.int64)
        self._mass[(self._hop - 1 - age) % self._size, self._row] += (share * weights).astype(np.float32)

    def turn_half(self) -> None:
        """Take in that every beat falls half a period later than believed."""
        if self._awaited is not None:
            self._awaited = (self._awaited[0] + 0.5 * self._awaited[1], self._awaited[1])
        for row, whole in enumerate(self._whole):
            births = (self._hop - 1 - np.arange(whole + 1)) % self._size
            self._mass[births, row] = np.roll(self._mass[births, row], (whole + 1) // 2)

    @property
    def present(self) -> float:
        """Probability that there is a beat."""
        return 1.0 - self._null

    def by_tempo(self) -> Numbers:
        """Return the probability of each tempo: shape (rows,)."""
        total: Numbers = (self._lines @ self._mass).astype(np.float64)  # a product is quicker than a sum over ages
        return total

    def hear(self, by_kind: Numbers, by_tempo: Numbers | None = None) -> None:
        """Take in what one hop shows.

        Args:
            by_kind: Shape (CLASSES, PLACES): natural logarithm of how much likelier what was heard is in a state of
                this class and place than without any beat.
            by_tempo: Shape (rows,): the same by tempo; None where nothing is known.
        """
        n, mass, habits = self._hop, self._mass, self._habits
        there = 1.0 - self._null
        found = habits.found * self._null * (1.0 if self._awaited is None else habits.elsewhere)
        self._grow(n, found + habits.restart * there)
        self._null += habits.lost * there - found
        if n % _AWAITED_EVERY == 0 and self._awaited is not None:
            self._await(n, *self._awaited)
        factor = np.exp(by_kind.astype(np.float32)) * np.float32(1.0 - habits.lost - habits.restart)
        factor.take(self._by_birth(self._kind_of, n), out=self._factor, mode="wrap")  # quicker than "clip"
        np.multiply(mass, self._factor, out=mass)
        if n % _LIFTED_EVERY == 0:
            np.maximum(mass, _LEAST, out=mass)
        self._hop += 1
        self._normalise(None if by_tempo is None else np.exp(by_tempo.astype(np.float32)))

    def peak(self) -> Peak:
        """Return the strongest peak, by the mean of what lies near it."""
        smooth = np.convolve(self.by_tempo(), np.ones(5), "same")
        centre = int(smooth.argmax())
        rows = slice(max(0, centre - _ROWS_AROUND), centre + _ROWS_AROUND + 1)
        mass = self._mass[:, rows]
        turn = self._by_birth(self._turn_of, self._hop - 1)[:, rows]
        bins = (turn * _TURN_BINS).astype(np.int64) % _TURN_BINS
        histogram = np.bincount(bins.ravel(), mass.ravel(), _TURN_BINS)
        ring = np.concatenate([histogram[-3:], histogram, histogram[:3]])
        top = (int(np.convolve(ring, np.ones(7), "valid").argmax()) + 0.5) / _TURN_BINS
        away = turn - top
        away -= np.rint(away)
        near = np.where(np.abs(away) < _BESIDE, mass, 0.0)
        by_tempo = np.add.reduce(near)
        weight = float(np.add.reduce(by_tempo))
        if not weight > 0:
            return Peak(float(self.tempos[centre]), 0.0, 0.0)
        phase = (top + float(np.vdot(near, away)) / weight) % 1.0
        period = float(by_tempo @ self._periods[rows]) / weight
        return Peak(float(self.tempos[centre] * self._periods[centre] / period), phase, weight)

    def _await(self, n: int, last: float, period: float) -> None:
        """Let the beat that went on unheard be heard again, at any place of it: not only where it has a beat.

        Source: K. V. Mardia and P. E. Jupp, "Directional Statistics", 2000, of the von Mises distribution.
        """
        beats, (spread, wider) = (n - last) / period, self._habits.strays
        rows = np.abs(self._periods / period - 1) < _AWAITED_WITHIN
        turn = self._by_birth(self._turn_of, n)[:, rows]
        at = np.exp((np.cos(2 * pi * (turn - beats)) - 1) / (2 * pi * (spread + wider * beats)) ** 2)
        at *= self._prior[rows] * (turn < 1)
        if (total := float(at.sum())) > 0:
            share = _AWAITED_EVERY * self._habits.back * self._null
            self._mass[:, rows] += (share / total * at).astype(np.float32)
            self._null -= share

    def _by_birth(self, table: NDArray[Scalar], hop: int) -> NDArray[Scalar]:
        """Return what a table of `_rolled` holds at a hop: by line of birth and tempo, as the mass is."""
        start = self._size - 1 - hop % self._size
        return table[start : start + self._size]

    def _transitions(self) -> NDArray[np.float32]:
        pulled = self._near * self._prior**self._habits.pull
        pulled *= self._near.max() / pulled.max()
        pulled[pulled < _LEAST_MOVE] = 0.0
        return ((1 - self._habits.jump) * pulled).astype(np.float32)

    def _normalise(self, by_tempo: NDArray[np.float32] | None = None) -> None:
        """Let all probabilities sum to 1, after weighing each tempo where a factor for each is given."""
        rows = self._lines @ self._mass
        total = float(np.add.reduce(rows) if by_tempo is None else rows @ by_tempo) + self._null
        np.multiply(self._mass, 1 / total if by_tempo is None else by_tempo / np.float32(total), out=self._mass)
        self._null /= total

    def _grow(self, n: int, begun: float) -> None:
        """Let the beats of this hop fall: what is full is born again in this hop's line, and a few begin anew."""
        line = n % self._size
        at = self._full_at + line * len(self._row)
        there = self._flat.take(at, mode="wrap")
        full = there * self._full_share
        self._flat.put(at, there - full, mode="wrap")  # no place comes twice
        born = np.add.reduce(full)
        anew = self._habits.jump * float(np.add.reduce(born)) + begun
        self._mass[line] = born @ self._change + (anew * self._prior).astype(np.float32)


def _rolled(table: NDArray[Scalar]) -> NDArray[Scalar]:
    """Return a table by tempo and age as one by age, reversed and doubled, and tempo.

    `Belief._by_birth` tells it by line of birth.
    """
    size = table.shape[1]
    # Line c holds the birth hops b with b % size == c; at hop n its age is (n - c) % size.
    # A slice starting at size - 1 - n % size must give age (n - c) % size at position c.
    ages = (size - 1 - np.arange(2 * size)) % size
    return np.ascontiguousarray(table[:, ages].T)
