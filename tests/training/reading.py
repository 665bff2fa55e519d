"""How well a net reads a development corpus by itself, before any belief: a minute, where following takes five.

    python -m tests.training.reading --net bridge/follow/weights.npz --corpus build/development build/dev21

It tells the mean over items of each corpus, of every kind but drones and echoes, from 8 s of sound on:

``place``    loss in nats of where in the beat a hop is, in one of 24 places; by chance it is 3.18
``tempo``    loss in nats of the tempo, within one of 48 bins; by chance it is 2.77
``octave``   share of hops at which the right tempo is the likelier than its half and its double
"""

from __future__ import annotations

import argparse
import json
import logging
import math
import multiprocessing
import os
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from bridge.follow.activation import LATE_HOPS, PHASE_BINS, SHIFTS, TEMPO_BINS, TEMPO_HIGH, TEMPO_LOW, Activation
from bridge.follow.features import HOPS_PER_S, Features

log = logging.getLogger(__name__)

FROM_S = 8.0
"""A net that has heard less than that knows no tape yet."""

LONGEST_S = 3.0
"""Of a beat; what lies between two further apart is a rest."""

AROUND = 2
"""Beats on either side over which the true tempo is taken."""

OCTAVE = round(TEMPO_BINS * math.log(2) / math.log(TEMPO_HIGH / TEMPO_LOW))
"""Bins of tempo in an octave."""

LEAST = 1e-3
"""Probability that is the least to count, so that no one hop decides."""


def read(
    net: dict[str, NDArray[np.generic]], corpus: Path, item: str, shifts: Sequence[int] = SHIFTS
) -> tuple[float, float, float]:
    """Return an item's losses of place and tempo, and its share of right octaves, as heard moved by some bands."""
    sound, rate = soundfile.read(corpus / f"{item}.flac", dtype="float32")
    heard = Activation(net, shifts).hear(np.array([hop.tones_db for hop in Features(rate).hear(sound)]))
    beats = np.loadtxt(corpus / f"{item}.beats.txt")
    hops = np.arange(len(heard.beat))
    at = (hops - LATE_HOPS + 0.5) / HOPS_PER_S
    last = np.searchsorted(beats, at, "right") - 1
    longest = np.append(np.diff(beats), np.inf)[last]
    inside = (last >= 1) & (last < len(beats) - 2) & (at >= FROM_S) & (longest < LONGEST_S)
    hops, at, last = hops[inside], at[inside], last[inside]
    low, high = np.maximum(last - AROUND, 0), np.minimum(last + AROUND + 1, len(beats) - 1)
    tempo = 60 * (high - low) / (beats[high] - beats[low])
    place = ((at - beats[last]) / (beats[last + 1] - beats[last]) * PHASE_BINS).astype(int)
    bins = (np.log(tempo / TEMPO_LOW) / math.log(TEMPO_HIGH / TEMPO_LOW) * TEMPO_BINS).astype(int)
    around = np.exp(heard.tempo[hops])
    right, double, half = (_near(around, bins + octave) for octave in (0, OCTAVE, -OCTAVE))
    return (
        float(-heard.phase[hops, place].mean()),
        float(-np.log(right + LEAST).mean()),
        float((right > np.maximum(double, half)).mean()),
    )


def _near(probability: NDArray[np.float64], bins: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the probability in a bin of each hop and in those beside it; none outside the range."""
    edge = OCTAVE + 2
    wide = np.pad(probability, ((0, 0), (edge, edge)))
    at = np.clip(bins, -OCTAVE, TEMPO_BINS + OCTAVE)[:, None] + edge + np.array([-1, 0, 1])
    return np.asarray(np.take_along_axis(wide, at, axis=1).sum(axis=1))


def main() -> None:
    """Print how a net reads some corpora, as a table."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--net", type=Path, required=True)
    parser.add_argument("--corpus", type=Path, nargs="+", required=True)
    parser.add_argument(
        "--shifts", type=int, nargs="+", default=SHIFTS, metavar="BANDS", help="read as the mean of these, 0: as it is"
    )
    arguments = parser.parse_args()
    with np.load(arguments.net) as file:
        net = {name: file[name].astype(np.float32) for name in file.files}
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    log.info("| corpus | items | place | tempo | octave |\n|---|---|---|---|---|")
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # of each process: small products are slower on several
    with multiprocessing.get_context("spawn").Pool() as pool:
        for corpus in arguments.corpus:
            items = json.loads((corpus / "manifest.json").read_text())
            names = [one["item"] for one in items if not one["kind"].startswith(("echo", "drones"))]
            place, tempo, octave = np.mean(pool.map(partial(read, net, corpus, shifts=arguments.shifts), names), axis=0)
            log.info("| %s | %d | %.3f | %.3f | %.3f |", corpus.name, len(names), place, tempo, octave)


if __name__ == "__main__":
    main()
