"""Put the drum performances, and patterns for a machine, into one compact file.

    python -m tests.training.performances --grooves ../shared/data/grooves --styles /usr/share/mma/lib/stdlib \
        --out performances.npz

The performances are a part of the Groove MIDI Dataset by Google LLC, CC BY 4.0 (J. Gillick et al., "Learning to Groove
with Inverse Sequence Transformations", ICML 2019). Those of the drummers `tests.training.material.DRUMMERS_APART` are
in the file too, with their name, and never train. The patterns are those that the Debian package mma brings for its
accompaniments (GPL-2+), played by mma itself; left out are those not in four, and those whose beat is not the quarter.
"""

from __future__ import annotations

import argparse
import csv
import logging
import re
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import mido
import numpy as np
from numpy.typing import NDArray

from tests.training.material import FILL, MACHINE

log = logging.getLogger(__name__)

CLASS_OF_NOTE = {
    36: 0, 35: 0, 38: 1, 40: 1, 37: 2, 42: 3, 22: 3, 44: 4, 46: 5, 26: 5, 43: 6, 58: 6, 41: 6,
    45: 7, 47: 7, 48: 8, 50: 8, 49: 9, 52: 9, 55: 9, 57: 9, 51: 10, 59: 10, 53: 11,
}  # fmt: skip
"""Class (index into `tests.training.material.CLASSES`) of the electronic kit's notes. Source: the dataset's page."""

CLASS_OF_PERCUSSION = CLASS_OF_NOTE | {
    39: 2, 47: 7, 54: 12, 56: 11, 60: 8, 61: 7, 62: 8, 63: 8, 64: 7, 65: 8, 66: 7, 67: 11, 68: 11, 69: 4, 70: 4, 71: 12,
    72: 12, 73: 12, 74: 12, 75: 2, 76: 2, 77: 2, 80: 10, 81: 10, 82: 4,
}  # fmt: skip
"""The same for the notes of General MIDI, with a drum of the bank that sounds about as long in the place of each.
Source: MIDI Association, General MIDI Level 1 Percussion Key Map."""

PATTERN_BARS = 16
DRUMS_CHANNEL = 9


def notes_of(path: Path, class_of: dict[int, int] = CLASS_OF_NOTE, channel: int | None = None) -> NDArray[np.float64]:
    """Return the notes of a MIDI file: shape (n, 3), time in beats of the click, class, velocity 0..1.

    Args:
        path: The file.
        class_of: Class of each note; others are left out.
        channel: The one to read, 0 to 15; None: all.
    """
    midi = mido.MidiFile(path)
    rows = []
    for track in midi.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type != "note_on" or message.velocity == 0 or channel not in (None, message.channel):
                continue
            if message.note in class_of:
                rows.append((tick / midi.ticks_per_beat, class_of[message.note], message.velocity / 127))
    return np.array(sorted(rows)).reshape(-1, 3)


def patterns_of(styles: Path) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Yield name and notes of each pattern of mma's library that is in four and unlike those before it.

    Args:
        styles: Folder of the library's files.

    Raises:
        subprocess.CalledProcessError: If mma does not play one.
    """
    seen = set()
    with tempfile.TemporaryDirectory() as folder:
        song, midi = Path(folder) / "song.mma", Path(folder) / "song.mid"
        for path in sorted(styles.glob("*.mma")):
            text = path.read_text(errors="replace")
            if set(re.findall(r"^ *time +(\d+)", text, re.M | re.I)) != {"4"} or re.search("doubl|multiply", text):
                continue
            for name in re.findall(r"^ *defgroove +(\S+)", text, re.M | re.I):
                bars = "\n".join(f"{bar + 1} C" for bar in range(PATTERN_BARS))
                song.write_text(f"RndSeed 1\nTempo 120\nGroove {name}\n{bars}\n")
                subprocess.run(["mma", song, "-f", midi], check=True, capture_output=True)
                notes = notes_of(midi, CLASS_OF_PERCUSSION, DRUMS_CHANNEL)
                notes = notes[notes[:, 0] < 4 * PATTERN_BARS - 0.1]
                alike = frozenset(zip(np.rint(notes[:, 0] * 4) % 16, notes[:, 1], strict=True))
                if len(notes) >= 2 * PATTERN_BARS and alike not in seen:
                    seen.add(alike)
                    yield name, notes


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
    """Write all beats in 4/4 of at least four bars, training and kept apart alike, each with its drummer; and fills."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--grooves", type=Path, required=True)
    parser.add_argument("--styles", type=Path, required=True, help="folder of mma's own library")
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    notes, offsets, table = [], [], []
    for row in csv.DictReader((arguments.grooves / "info.csv").open()):
        if row["time_signature"] != "4-4":
            continue
        bpm, is_fill = float(row["bpm"]), row["beat_type"] == "fill"
        found = notes_of(arguments.grooves / row["midi_filename"])
        bars = int(np.ceil(found[-1, 0] / 4 - 0.1)) if len(found) else 0
        if bars < (1 if is_fill else 4):
            continue
        found = found[found[:, 0] < 4 * bars - 0.1]
        table.append((row["drummer"], row["id"], FILL if is_fill else row["style"], bpm, 4 * bars, len(found)))
        notes.append(found)
        offsets.append(slow_offset(found[:, 0], 4 * bars, bpm))
    for name, found in patterns_of(arguments.styles):
        table.append((MACHINE, name, MACHINE, 0.0, 4 * PATTERN_BARS, len(found)))
        notes.append(found)
        offsets.append(np.zeros(4 * PATTERN_BARS))
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
    fills, machine = columns[2].count(FILL), columns[2].count(MACHINE)
    log.info("%d performances, %d fills, %d patterns", len(table) - fills - machine, fills, machine)


if __name__ == "__main__":
    main()
