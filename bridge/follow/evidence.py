"""What each hop says of a beat, as numbers for the belief to weigh: the learned net and plain onsets together.

Each of them tells how much likelier what was heard is at each place in a beat than without any beat. Hops are far from
independent of each other, so only a part of each logarithm counts; how much was chosen on training scenes.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from bridge.follow.activation import PHASE_BINS, TEMPO_BINS, TEMPO_HIGH, TEMPO_LOW, Activation, Heard
from bridge.follow.belief import CLASSES, HALF_ON, PLACES
from bridge.follow.features import Hop
from bridge.follow.onsets import Onsets

Numbers = NDArray[np.float64]

ONSETS_ALONE = 0.25
"""How much onsets count without the net."""

NEWLY_CAUGHT = 3.0
"""How many times as much the net's word on the place in the beat counts soon after a beat was caught. The belief goes
by the first strokes, which may lie between beats; the net hears the rhythm as a whole, and knows better each beat."""

_PRESENT_LIMIT = 4.0
_TIME_IN_CLASS = np.append(np.ones(CLASSES - 2), [8.0, 32.0])  # hops of a beat at 100 bpm


@dataclass(frozen=True)
class Weights:
    """How much of each logarithm counts.

    Attributes:
        beat: The net's word on beats.
        onsets: Plain onset strength.
        phase: The net's word on the place in the beat.
        tempo: The net's word on the tempo.
        present: The net's word on whether there is a beat at all.
    """

    beat: float
    onsets: float
    phase: float
    tempo: float
    present: float


@dataclass(frozen=True, eq=False)
class Learned:
    """What training left: the net, and how likely its values are in and out of a beat.

    Attributes:
        net: The net's arrays by name; None to do without.
        edges: Shape (levels - 1,), ascending: bounds of the levels of the net's log odds of a beat.
        table: Shape (CLASSES, levels): natural logarithm of p(level | class) / p(level | no beat).
        onset_edges, onset_table: The same for onset strength. With a net beside them onsets tell only where in a beat
            one is, not whether there is one: that the net knows better.
        present_bias: Log odds of "present" at which a beat is as likely as none.
        free, told: Weights while nothing is known of the tempo, and while a tempo is told.
        lack: Why there is no net, where there should be one.
    """

    net: Mapping[str, NDArray[np.generic]] | None
    edges: Numbers
    table: Numbers
    onset_edges: Numbers
    onset_table: Numbers
    present_bias: float
    free: Weights
    told: Weights
    lack: str = ""

    def onsets_alone(self) -> Learned:
        """Return the same for a follower that goes by plain onsets."""
        alone = Weights(beat=0.0, onsets=ONSETS_ALONE, phase=0.0, tempo=0.0, present=0.0)
        return replace(self, net=None, free=alone, told=alone)


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """The evidence of some hops.

    Attributes:
        by_kind: Shape (hops, CLASSES, PLACES): of each hop, as `bridge.follow.belief.Belief.hear` takes it.
        by_tempo: Shape (hops, rows), the same by tempo; None where nothing is said.
        net: What the net said; None without one.
    """

    by_kind: Numbers
    by_tempo: Numbers | None
    net: Heard | None = None


class Evidence:
    """Weighs hop after hop, some at a time.

    Args:
        learned: What training left.
        tempos: Shape (rows,), the belief's tempos in bpm.

    Attributes:
        is_told: Whether a tempo is told; the net's word on tempo then counts for less.
        is_half_off: Whether what the net takes for a beat is read as the half of one, and the other way.
        is_new: Whether the beat that is followed was caught not long ago.
    """

    def __init__(self, learned: Learned, tempos: Numbers) -> None:
        self._learned = learned
        self._net = None if learned.net is None else Activation(learned.net)
        counts = self._net is None or learned.free.onsets > 0 or learned.told.onsets > 0
        self._onsets = Onsets() if counts else None
        onset_table = learned.onset_table
        if self._net is not None:
            usual = (np.exp(onset_table) * _TIME_IN_CLASS[:, None]).sum(axis=0) / _TIME_IN_CLASS.sum()
            onset_table = onset_table - np.log(usual)
        self._of_onset = _Levels(learned.onset_edges, onset_table)
        self._of_beat = _Levels(learned.edges, learned.table)
        place = np.log(tempos / TEMPO_LOW) / np.log(TEMPO_HIGH / TEMPO_LOW) * TEMPO_BINS
        self._bin = np.clip(place.astype(np.int64), 0, TEMPO_BINS - 1)
        self.is_told = self.is_half_off = self.is_new = False

    def renew(self) -> None:
        """Take in that what comes has nothing to do with what was."""
        if self._net is not None:
            self._net.renew()

    def hear(self, hops: Sequence[Hop]) -> Weighed:
        """Return what each of some more hops says."""
        weights = self._learned.told if self.is_told else self._learned.free
        by_class = np.zeros((len(hops), CLASSES))
        if self._onsets is not None:
            by_class += weights.onsets * self._of_onset.at([self._onsets.hear(hop.tones_db) for hop in hops])
        if self._net is None:
            return Weighed(np.repeat(by_class[:, :, None], PLACES, axis=2), None)
        heard = self._net.hear(np.array([hop.tones_db for hop in hops]))
        of_beat, of_phase = self._of_beat.at(heard.beat.tolist()), heard.phase + log(PHASE_BINS)
        if self.is_half_off:
            of_beat, of_phase = of_beat.take(HALF_ON, axis=1), np.roll(of_phase, PHASE_BINS // 2, axis=1)
        present = np.clip(heard.present - self._learned.present_bias, -_PRESENT_LIMIT, _PRESENT_LIMIT)
        by_class += weights.beat * of_beat + weights.present * present[:, None]
        of_phase *= weights.phase * (NEWLY_CAUGHT if self.is_new else 1.0)
        by_tempo = None
        if weights.tempo:
            by_bin = np.clip(weights.tempo * (heard.tempo + log(TEMPO_BINS)), -1, 1)
            by_tempo = by_bin.take(self._bin, axis=1)
        return Weighed(by_class[:, :, None] + of_phase[:, None, :], by_tempo, heard)


class _Levels:
    """A table by level, with its levels' bounds: for few numbers, a search in a list is far quicker than numpy's."""

    def __init__(self, edges: Numbers, table: Numbers) -> None:
        self._edges: list[float] = edges.tolist()
        self._rows = np.ascontiguousarray(table.T)

    def at(self, values: Sequence[float]) -> Numbers:
        """Return the table's columns for some values: shape (values, CLASSES)."""
        return self._rows.take([bisect_left(self._edges, value) for value in values], axis=0)
