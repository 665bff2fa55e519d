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


@dataclass
class Material:
    """What scenes are made of: the bank's table and the performances that may train."""

    start: NDArray[np.int64]
    length: NDArray[np.int64]
    kind: NDArray[np.int64]
    kit: NDArray[np.int64]
    loud: NDArray[np.float64]
    notes: list[NDArray[np.float32]]
    offsets: list[NDArray[np.float32]]
    bpm: NDArray[np.float64]
    weight: NDArray[np.float64]
    by_kind: list[NDArray[np.int64]] = field(default_factory=list)
    full_kits: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))

    @classmethod
    def load(cls, bank: Path, performances: Path) -> Material:
        """Read both files; performances of drummers kept apart are left out."""
        b, p = np.load(bank), np.load(performances)
        note_ends, beat_ends = np.cumsum(p["count"]), np.cumsum(p["beats"])
        keep = [i for i, drummer in enumerate(p["drummer"]) if drummer not in DRUMMERS_APART]
        notes, offsets = p["notes"], p["offsets"]
        new = cls(
            start=b["start"],
            length=b["length"],
            kind=b["kind"],
            kit=b["kit"],
            loud=b["loud"],
            notes=[notes[note_ends[i] - p["count"][i] : note_ends[i]] for i in keep],
            offsets=[offsets[beat_ends[i] - p["beats"][i] : beat_ends[i]] for i in keep],
            bpm=p["bpm"][keep],
            weight=np.minimum(p["beats"][keep] * 60 / p["bpm"][keep], 60.0),
        )
        new.weight = new.weight / new.weight.sum()
        new.by_kind = [np.flatnonzero(new.kind == kind) for kind in range(len(CLASSES))]
        kits = np.unique(new.kit)
        has = [all(((new.kit == k) & (new.kind == c)).any() for c in (0, 1, 3)) for k in kits]
        new.full_kits = kits[np.array(has)]
        return new
