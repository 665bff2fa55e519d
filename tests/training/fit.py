"""Fit the belief's likelihoods to what the follower's net and onsets say of fresh training scenes, and write its file.

    python -m tests.training.fit --net net0.npz --bank bank.npz --performances performances.npz --out follower.npz

Scenes are drawn from another seed than training's, but from the same drummers and kits: the development corpus is not
seen. The sound goes through the follower's own front end. Takes about 5 s a scene on one core.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray

from bridge.follow.activation import Activation
from bridge.follow.belief import CLASSES, phase_class
from bridge.follow.features import Features
from bridge.follow.onsets import Onsets
from tests.training.material import RATE, Material
from tests.training.net import LATE
from tests.training.plan import random_scene
from tests.training.scene import FRAMES, stacked
from tests.training.sound import Bank, sound_of

QUANTILES = (*np.linspace(0.08, 0.9, 12), 0.93, 0.955, 0.97, 0.98, 0.987, 0.993, 0.997)
"""Where the levels of the activation part, by how often they occur; finer where beats are."""

WEIGHTS = (0.25, 0.0, 0.05, 0.02, 0.1)
"""How much of each log ratio counts: activation, onsets, phase, tempo, present."""

WEIGHTS_TOLD = (0.25, 0.0, 0.08, 0.0, 0.1)
"""The same where a tempo was told."""

WRITTEN = ("edges", "table", "onset_edges", "onset_table", "present_bias", "weights", "weights_told")
"""What is in the file beside the net."""

SETTLED = 300
"""Frames after which a scene counts."""


@dataclass
class Sorted:
    """Values of a curve by frame, sorted by the truth.

    Attributes:
        there: Values where there was a beat to follow.
        kind: Class of the true state at the same frames.
        silent: Values where there was none.
    """

    there: list[NDArray[np.float32]] = field(default_factory=list)
    kind: list[NDArray[np.int64]] = field(default_factory=list)
    silent: list[NDArray[np.float32]] = field(default_factory=list)

    def add(self, values: NDArray[np.float32], truth: dict[str, NDArray[np.float32]]) -> None:
        """Take in a batch of scenes: shape (scenes, frames)."""
        for i, value in enumerate(values):
            sure, there = settled(truth, i)
            self.silent.append(value[sure & ~there])
            at = np.flatnonzero(truth["beat"][i]) + LATE
            if len(at) < 8:
                continue
            last = np.searchsorted(at, np.arange(len(value)), "right") - 1
            inside = sure & there & (last >= 0) & (last < len(at) - 1)
            last = np.clip(last, 0, len(at) - 2)
            age, period = np.arange(len(value)) - at[last], at[last + 1] - at[last]
            inside &= (period > 22) & (period < 230)
            self.there.append(value[inside])
            self.kind.append(phase_class(age[inside].astype(float), period[inside].astype(float)))

    def table(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return the edges of the levels, and the log ratio of each level by class."""
        there, kind, silent = (np.concatenate(values) for values in (self.there, self.kind, self.silent))
        some = np.random.default_rng(0).choice(silent, len(there) // 2)
        edges = np.unique(np.quantile(np.concatenate([there, some]), QUANTILES))

        def share(values: NDArray[np.float32]) -> NDArray[np.float64]:
            count = np.bincount(np.searchsorted(edges, values), minlength=len(edges) + 1) + 20.0
            return np.asarray(count / count.sum())

        table = np.log([share(there[kind == k]) / share(silent) for k in range(CLASSES)])
        return edges.astype(np.float32), table.astype(np.float32)


def settled(truth: dict[str, NDArray[np.float32]], scene: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return the frames of a scene at which the truth is sure, and those with a beat."""
    sure = np.roll(truth["weight"][scene], LATE) > 0
    sure[:SETTLED] = False
    return sure, np.roll(truth["present"][scene], LATE) > 0


def followed(net: Mapping[str, NDArray[np.generic]], sound: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return what the follower makes of scenes' sound, (scenes, frames of sound): beat, present, onsets.

    Returns:
        Shape (3, scenes, FRAMES): log odds of a beat, log odds of there being one to follow, onset strength.
    """
    out = np.zeros((3, len(sound), FRAMES), np.float32)
    for i, samples in enumerate(sound):
        tones, onsets = np.array([hop.tones_db for hop in Features(RATE).hear(samples)]), Onsets()
        heard = Activation(net).hear(tones)
        out[:, i, : len(tones)] = heard.beat, heard.present, [onsets.hear(tones_db) for tones_db in tones]
    return out


def present_bias(present: NDArray[np.float32], absent: NDArray[np.float32]) -> float:
    """Return the log odds at which as many frames with a beat are missed as frames without are taken for one."""
    grid = np.linspace(-6, 6, 121)
    return float(grid[int(np.argmin([abs((present < x).mean() - (absent > x).mean()) for x in grid]))])


def compact(weights: NDArray[np.generic]) -> NDArray[np.generic]:
    """Return matrices in 16 bits, the rest as it is."""
    return weights.astype(np.float16) if weights.dtype == np.float32 and weights.ndim > 1 else weights


def main() -> None:
    """Write the net's weights and its likelihoods into one file, and those of the onsets into onsets.npz beside it."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--net", type=Path, required=True)
    parser.add_argument("--bank", type=Path, required=True)
    parser.add_argument("--performances", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scenes", type=int, default=160)
    parser.add_argument("--seed", type=int, default=777)
    arguments = parser.parse_args()
    material = Material.load(arguments.bank, arguments.performances)
    bank = Bank.load(arguments.bank, torch.device("cpu"))
    rng, generator = np.random.default_rng(arguments.seed), torch.Generator()
    generator.manual_seed(arguments.seed)
    with np.load(arguments.net) as file:
        net = {name: compact(value) for name, value in file.items() if name not in WRITTEN}
    beat, rise = Sorted(), Sorted()
    present: list[NDArray[np.float32]] = []
    absent: list[NDArray[np.float32]] = []
    for _ in range(arguments.scenes // 8):
        truth = stacked([random_scene(rng, material) for _ in range(8)])
        sound = sound_of(bank, {name: torch.from_numpy(value) for name, value in truth.items()}, generator, 8)
        odds, is_present, strength = followed(net, sound.numpy())
        beat.add(odds, truth)
        rise.add(strength, truth)
        for i in range(8):
            sure, there = settled(truth, i)
            present.append(is_present[i, sure & there])
            absent.append(is_present[i, sure & ~there])
    (edges, table), (onset_edges, onset_table) = beat.table(), rise.table()
    np.savez_compressed(
        arguments.out,
        **net,
        edges=edges,
        table=table,
        present_bias=present_bias(np.concatenate(present), np.concatenate(absent)),
        weights=np.array(WEIGHTS),
        weights_told=np.array(WEIGHTS_TOLD),
    )
    np.savez_compressed(arguments.out.with_name("onsets.npz"), onset_edges=onset_edges, onset_table=onset_table)


if __name__ == "__main__":
    main()
