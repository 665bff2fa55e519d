"""Did a tape come into a mix, or leave it, at once? Told from the mixer's output, where other tapes sound on.

A deck that starts or stops brings or takes bands that nothing else fills, within a moment, and the beat with them. A
fader that rides the whole mix moves all bands alike; one that rides a single deck takes longer, or leaves a beat that
is heard on. What else sounds like it: a fader that is opened or shut altogether within about three seconds, and a tape
whose own music comes in or breaks off. So whatever is told from here is not sure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.decks.speed import HOPS_A_BLOCK
from bridge.follow.features import BANDS_PER_OCTAVE, HOPS_PER_S, Hop

Powers = NDArray[np.float64]

_BLOCKS_KEPT = 48  # 12.5 s
_KEPT = HOPS_A_BLOCK * _BLOCKS_KEPT
_SIDE = 12  # blocks at most before and after, 3.1 s
_BEFORE = 3  # blocks at least before
_AFTER = {"fell": 4, "rose": 6}  # blocks at least after: a fall must stay for 1 s, a rise for 1.6 s
_RANGE_DB = 60.0
_MOVED = 2 * BANDS_PER_OCTAVE  # bands that moved most
_STRONG_DB = 15.0
_PEAKS_OVER = int(0.5 * HOPS_PER_S)
_AROUND = int(2.5 * HOPS_PER_S)
_LEAST_DB = 7.5  # of the bands that moved most; tapes that came or left: 8 to 27 (measured)
_LEAST_APART_DB = 5.0  # between them and the bands that are strong in what is left: a ride of the mix moves all alike
_LEAST_RANGE_DB = 12.0  # between the peaks before and after
_OUT_OF_QUIET_DB, _BELOW_FULL_DB, _RAMP_DB = 6.0, 8.0, 12.0
_LONGEST_RAMP_S = {"fell": 0.5, "rose": 0.8}  # measured: up to 0.47 and 0.73


@dataclass(frozen=True, slots=True)
class Edge:
    """A tape came into the mix, or left it.

    Attributes:
        hops_back: How many hops ago.
    """

    hops_back: int


class Layers:
    """Keeps the bands of the last twelve seconds, and finds in them what came or left at once."""

    def __init__(self) -> None:
        self._ring: Powers | None = None
        self._hops = 0

    def hear(self, hop: Hop) -> None:
        """Take in one hop."""
        if self._ring is None:
            self._ring = np.zeros((_KEPT, len(hop.power)))
        self._ring[self._hops % _KEPT] = hop.power
        self._hops += 1

    def rose(self, within: int) -> Edge | None:
        """Return the tape that came in the last so many hops; None if none did, or not at once."""
        return _edge(self._newest(within), "rose")

    def fell(self, within: int) -> Edge | None:
        """Return the tape that left in the last so many hops; None if none did, or not at once."""
        return _edge(self._newest(within), "fell")

    def _newest(self, hops: int) -> Powers:
        """Return whole blocks of the newest hops, oldest first: shape (hops, bands)."""
        blocks = min(hops, self._hops, _KEPT) // HOPS_A_BLOCK
        if self._ring is None or not blocks:
            return np.zeros((0, 1))
        return np.take(self._ring, range(self._hops - blocks * HOPS_A_BLOCK, self._hops), axis=0, mode="wrap")


def _edge(powers: Powers, way: str) -> Edge | None:
    """Return where most came, or left; None where it was too little, or not at once."""
    blocks = len(powers) // HOPS_A_BLOCK
    at = np.arange(_BEFORE, blocks - _AFTER[way] + 1)
    if not len(at):
        return None
    levels = _levels(powers.reshape(blocks, HOPS_A_BLOCK, -1).mean(axis=1))
    first, last = np.maximum(0, at - _SIDE), np.minimum(blocks, at + _SIDE)
    below = np.concatenate([np.zeros((1, levels.shape[1])), np.cumsum(levels, axis=0)])
    before = (below[at] - below[first]) / (at - first)[:, None]
    after = (below[last] - below[at]) / (last - at)[:, None]
    loud, quiet = (after, before) if way == "rose" else (before, after)
    weight = (at - first) * (last - at) / (last - first)
    best = int(np.argmax(weight * (np.maximum(loud - quiet, 0.0) ** 2).sum(axis=1)))
    apart, left = loud[best] - quiet[best], quiet[best]
    moved = np.argsort(apart)[-_MOVED:]
    came = float(apart[moved].mean())
    if came < _LEAST_DB or came - float(np.median(apart[left > left.max() - _STRONG_DB])) < _LEAST_APART_DB:
        return None
    split, sides = int(at[best]) * HOPS_A_BLOCK, (int(first[best]), int(last[best]))
    return _at_once(_levels(powers[:, moved].sum(axis=1)), split, sides, way)


def _at_once(levels: Powers, split: int, sides: tuple[int, int], way: str) -> Edge | None:
    """Return where levels, a hop each in dB, went from the one side's to the other's; None if it took too long."""
    before = _peak(levels[sides[0] * HOPS_A_BLOCK : split])
    after = _peak(levels[split : sides[1] * HOPS_A_BLOCK])
    full, quiet = (after, before) if way == "rose" else (before, after)
    if full - quiet < _LEAST_RANGE_DB:
        return None
    begin = max(0, split - _AROUND)
    around = levels[begin : split + _AROUND]
    upwards = around if way == "rose" else around[::-1]
    nearly = full - max(_BELOW_FULL_DB, (full - quiet) / 3)  # not every stroke is a loud one
    hardly = min(max(quiet + _OUT_OF_QUIET_DB, nearly - _RAMP_DB), nearly - 0.1)  # the tape's hiss is less
    reached = np.flatnonzero(upwards >= nearly)
    if not len(reached):
        return None
    out = int(np.flatnonzero(upwards[: reached[0] + 1] > hardly)[0])
    if reached[0] - out > _LONGEST_RAMP_S[way] * HOPS_PER_S:
        return None
    at = begin + (out if way == "rose" else len(around) - 1 - out)
    return Edge(len(levels) - at)


def _peak(levels: Powers) -> float:
    """Return the level that strokes reach: the median of the peaks of each half second."""
    starts = range(0, max(1, len(levels) - _PEAKS_OVER // 2), _PEAKS_OVER)
    return float(np.median([levels[start : start + _PEAKS_OVER].max() for start in starts]))


def _levels(power: Powers) -> Powers:
    levels = 10.0 * np.log10(np.maximum(power, 1e-12))
    lifted: Powers = np.maximum(levels, levels.max() - _RANGE_DB)
    return lifted
