"""The training material: what it is called, what of it is kept apart for the development corpus, and how it is read."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

RATE = 24_000
"""Frames per second of the bank and of all training sound."""

CLASSES = (
    "kick",
    "snare",
    "side stick",
    "closed hat",
    "pedal hat",
    "open hat",
    "low tom",
    "mid tom",
    "high tom",
    "crash",
    "ride",
    "bell",
    "other",
    "tone",
    "speech",
)
"""What a sound of the bank is; the last three never stand for a drum of the performance by themselves."""

KITS_APART = ("Black_Pearl", "Red_Zeppelin", "The Black Pearl", "ColomboAcousticDrumkit", "ElectricEmpireKit")
"""Kits of the development corpus, by the start of their name."""

DRUMMERS_APART = ("drummer3", "drummer6", "drummer9")
"""Drummers of the development corpus."""

MACHINE, FILL = "machine", "fill"
"""Who plays a pattern, and the style of what is no performance but a fill."""


def feel_of(notes: NDArray[np.floating]) -> float:
    """Return how much of what lies between beats lies in three rather than in two or four: 0..1.

    Args:
        notes: Shape (n, 3), time in beats first.
    """
    place = notes[:, 0] % 1.0
    in_three = np.minimum(np.abs(place - 1 / 3), np.abs(place - 2 / 3)) < 0.05
    in_four = (np.abs(place - 0.5) < 0.1) | (np.minimum(np.abs(place - 0.25), np.abs(place - 0.75)) < 0.03)
    return float(in_three.sum() / max(1, (in_three | in_four).sum()))


@dataclass
class Material:
    """What scenes are made of: the bank's table, the performances that may train, their fills, and machines' patterns.

    Attributes:
        start, length, kind, kit, loud: Per sound of the bank: its frames there, its class, kit and loudness.
        notes: Per performance, shape (n, 3): time in beats, class, velocity.
        offsets: Per performance, how far from each beat of the click the player sat, in beats.
        bpm: Per performance, the click's tempo.
        weight: Per performance, how often it is drawn: long ones oftener, and none for its drummer's many alone.
        feel: Per performance, see `feel_of`.
        fills: Notes of fills, each from the first beat of its bar.
        patterns: Notes of patterns for a machine.
        by_kind: Per class, the bank's sounds.
        full_kits: Kits with kick, snare and hat.
    """

    start: NDArray[np.int64]
    length: NDArray[np.int64]
    kind: NDArray[np.int64]
    kit: NDArray[np.int64]
    loud: NDArray[np.float64]
    notes: list[NDArray[np.float32]]
    offsets: list[NDArray[np.float32]]
    bpm: NDArray[np.float64]
    weight: NDArray[np.float64]
    feel: NDArray[np.float64]
    fills: list[NDArray[np.float32]]
    patterns: list[NDArray[np.float32]]
    by_kind: list[NDArray[np.int64]] = field(default_factory=list)
    full_kits: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))

    @classmethod
    def load(cls, bank: Path, performances: Path) -> Material:
        """Read both files; performances of drummers kept apart are left out."""
        b, p = np.load(bank), np.load(performances)
        note_ends, beat_ends = np.cumsum(p["count"]), np.cumsum(p["beats"])
        notes = [p["notes"][end - count : end] for end, count in zip(note_ends, p["count"], strict=True)]
        trains = ~np.isin(p["drummer"], DRUMMERS_APART)
        is_machine, is_fill = p["drummer"] == MACHINE, p["style"] == FILL
        keep = np.flatnonzero(trains & ~is_machine & ~is_fill)
        long = np.minimum(p["beats"][keep] * 60 / p["bpm"][keep], 60.0)
        by_drummer = np.array([long[p["drummer"][keep] == drummer].sum() for drummer in p["drummer"][keep]])
        weight = long / np.sqrt(by_drummer)
        new = cls(
            start=b["start"],
            length=b["length"],
            kind=b["kind"],
            kit=b["kit"],
            loud=b["loud"],
            notes=[notes[i] for i in keep],
            offsets=[p["offsets"][beat_ends[i] - p["beats"][i] : beat_ends[i]] for i in keep],
            bpm=p["bpm"][keep],
            weight=weight / weight.sum(),
            feel=np.array([feel_of(notes[i]) for i in keep]),
            fills=[notes[i] for i in np.flatnonzero(trains & is_fill)],
            patterns=[notes[i] for i in np.flatnonzero(is_machine)],
        )
        new.by_kind = [np.flatnonzero(new.kind == kind) for kind in range(len(CLASSES))]
        kits = np.unique(new.kit)
        has = [all(((new.kit == k) & (new.kind == c)).any() for c in (0, 1, 3)) for k in kits]
        new.full_kits = kits[np.array(has)]
        return new
