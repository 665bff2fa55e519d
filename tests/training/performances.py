"""Put the drum performances into one compact file.

    python -m tests.training.performances --grooves ../shared/data/grooves --out performances.npz

The performances are a part of the Groove MIDI Dataset by Google LLC, CC BY 4.0 (J. Gillick et al., "Learning to Groove
with Inverse Sequence Transformations", ICML 2019). Those of the drummers `tests.training.material.DRUMMERS_APART` are
in the file too, with their name, and never train.
"""

from __future__ import annotations

import argparse
import csv
import logging
from pathlib import Path

import mido
import numpy as np
from numpy.typing import NDArray

log = logging.getLogger(__name__)

CLASS_OF_NOTE = {
    36: 0, 35: 0, 38: 1, 40: 1, 37: 2, 42: 3, 22: 3, 44: 4, 46: 5, 26: 5, 43: 6, 58: 6, 41: 6,
    45: 7, 47: 7, 48: 8, 50: 8, 49: 9, 52: 9, 55: 9, 57: 9, 51: 10, 59: 10, 53: 11,
}  # fmt: skip
"""Class (index into `tests.training.bank.CLASSES`) of the electronic kit's notes. Source: the dataset's own page."""


def notes_of(path: Path, bpm: float) -> NDArray[np.float64]:
    """Return the notes of a performance: shape (n, 3), time in beats of the click, class, velocity 0..1."""
    midi = mido.MidiFile(path)
    rows = []
    for track in midi.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "note_on" and message.velocity > 0 and message.note in CLASS_OF_NOTE:
                rows.append((tick / midi.ticks_per_beat, CLASS_OF_NOTE[message.note], message.velocity / 127))
    return np.array(sorted(rows)).reshape(-1, 3)


def slow_offset(beats: NDArray[np.float64], count: int, bpm: float, reach: int = 8) -> NDArray[np.float64]:
    """Return how far from the click the player sat around each beat, in beats.

    Args:
        beats: Times of the notes, in beats of the click.
        count: How many beats to tell.
        bpm: Tempo of the click.
        reach: The median is taken over this many beats to either side.

    Returns:
        Shape (count,): the running median of the distance of notes within 60 ms of a beat; 0 where there are none.
    """
    nearest = np.rint(beats)
    off = beats - nearest
    close = np.abs(off) < 0.06 * bpm / 60
    nearest, off = nearest[close], off[close]
    out = np.zeros(count)
    for beat in range(count):
        around = off[np.abs(nearest - beat) <= reach]
        if len(around) >= 4:
            out[beat] = np.median(around)
    return out


def main() -> None:
    """Write all beats in 4/4 of at least four bars, training and kept apart alike, each with its drummer."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--grooves", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    notes, offsets, table = [], [], []
    for row in csv.DictReader((arguments.grooves / "info.csv").open()):
        if row["beat_type"] != "beat" or row["time_signature"] != "4-4":
            continue
        bpm = float(row["bpm"])
        found = notes_of(arguments.grooves / row["midi_filename"], bpm)
        bars = int(np.ceil(found[-1, 0] / 4 - 0.1)) if len(found) else 0
        if bars < 4:
            continue
        found = found[found[:, 0] < 4 * bars - 0.1]
        table.append((row["drummer"], row["id"], row["style"], bpm, 4 * bars, len(found)))
        notes.append(found)
        offsets.append(slow_offset(found[:, 0], 4 * bars, bpm))
    columns = list(zip(*table, strict=True))
    np.savez_compressed(
        arguments.out,
        notes=np.concatenate(notes).astype(np.float32),
        offsets=np.concatenate(offsets).astype(np.float32),
        drummer=np.array(columns[0]),
        name=np.array(columns[1]),
        style=np.array(columns[2]),
        bpm=np.array(columns[3]),
        beats=np.array(columns[4]),
        count=np.array(columns[5]),
    )
    log.info("%d performances, %d notes", len(table), sum(columns[5]))


if __name__ == "__main__":
    main()
