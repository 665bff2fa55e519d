"""Fit the belief's likelihoods to what a trained net says of fresh training scenes, and write the follower's file.

    python -m tests.training.fit --net net0.npz --bank bank.npz --performances performances.npz --out follower.npz

Scenes are drawn from another seed than training's, but from the same drummers and kits: the development corpus is not
seen. Takes about 3 s a scene on one core.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch.nn import functional

from tests.training.heart.belief import CLASSES, phase_class
from tests.training.material import Material
from tests.training.net import CONTEXT, LATE, Net, load
from tests.training.plan import random_scene
from tests.training.scene import stacked
from tests.training.sound import Bank, features_of

QUANTILES = (*np.linspace(0.08, 0.9, 12), 0.93, 0.955, 0.97, 0.98, 0.987, 0.993, 0.997)
"""Where the levels of the activation part, by how often they occur; finer where beats are."""

WEIGHTS = (0.25, 0.05, 0.02, 0.1)
"""How much of each log ratio counts: activation, phase, tempo, present. Chosen on 40 training scenes."""

SETTLED = 300
"""Frames after which a scene counts."""


@dataclass
class Heard:
    """What the net said, sorted by the truth.

    Attributes:
        beat: Log odds of a beat where there was one to follow.
        kind: Class of the true state at the same frames.
        silent: Log odds of a beat where there was none.
        present, absent: Log odds of "present" where there was a beat and where there was none.
    """

    beat: list[NDArray[np.float32]] = field(default_factory=list)
    kind: list[NDArray[np.int64]] = field(default_factory=list)
    silent: list[NDArray[np.float32]] = field(default_factory=list)
    present: list[NDArray[np.float32]] = field(default_factory=list)
    absent: list[NDArray[np.float32]] = field(default_factory=list)

    def add(self, net: Net, features: torch.Tensor, truth: dict[str, NDArray[np.float32]]) -> None:
        """Take in a batch of scenes."""
        with torch.no_grad():
            logits, _ = net(functional.pad(features, (0, 0, CONTEXT, 0)))
        for i in range(len(features)):
            beat, present = (logits[head][i, :, 0].numpy() for head in ("beat", "present"))
            sure = np.roll(truth["weight"][i], LATE) > 0
            sure[:SETTLED] = False
            there = np.roll(truth["present"][i], LATE) > 0
            self.silent.append(beat[sure & ~there])
            self.absent.append(present[sure & ~there])
            at = np.flatnonzero(truth["beat"][i]) + LATE
            if len(at) < 8:
                continue
            last = np.searchsorted(at, np.arange(len(beat)), "right") - 1
            inside = sure & there & (last >= 0) & (last < len(at) - 1)
            last = np.clip(last, 0, len(at) - 2)
            age, period = np.arange(len(beat)) - at[last], at[last + 1] - at[last]
            inside &= (period > 22) & (period < 230)
            self.beat.append(beat[inside])
            self.kind.append(phase_class(age[inside].astype(float), period[inside].astype(float)))
            self.present.append(present[inside])

    def likelihoods(self) -> dict[str, NDArray[np.float64]]:
        """Return edges, table and present bias as `bridge.follow.belief.Likelihoods` takes them."""
        beat, kind, silent = np.concatenate(self.beat), np.concatenate(self.kind), np.concatenate(self.silent)
        some = np.random.default_rng(0).choice(silent, len(beat) // 2)
        edges = np.unique(np.quantile(np.concatenate([beat, some]), QUANTILES))

        def share(values: NDArray[np.float32]) -> NDArray[np.float64]:
            count = np.bincount(np.searchsorted(edges, values), minlength=len(edges) + 1) + 20.0
            return np.asarray(count / count.sum())

        table = np.log([share(beat[kind == k]) / share(silent) for k in range(CLASSES)])
        present, absent = np.concatenate(self.present), np.concatenate(self.absent)
        grid = np.linspace(-6, 6, 121)
        wrong = [abs((present < x).mean() - (absent > x).mean()) for x in grid]
        return {"edges": edges, "table": table, "present_bias": grid[int(np.argmin(wrong))]}


def main() -> None:
    """Write the net's weights and the likelihoods into one file."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--net", type=Path, required=True)
    parser.add_argument("--bank", type=Path, required=True)
    parser.add_argument("--performances", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scenes", type=int, default=320)
    parser.add_argument("--seed", type=int, default=777)
    arguments = parser.parse_args()
    material = Material.load(arguments.bank, arguments.performances)
    bank = Bank.load(arguments.bank, torch.device("cpu"))
    rng, generator = np.random.default_rng(arguments.seed), torch.Generator()
    generator.manual_seed(arguments.seed)
    net, heard = load(arguments.net), Heard()
    for _ in range(arguments.scenes // 8):
        truth = stacked([random_scene(rng, material) for _ in range(8)])
        features = features_of(bank, {name: torch.from_numpy(value) for name, value in truth.items()}, generator, 8)
        heard.add(net, features, truth)
    with np.load(arguments.net) as weights:
        np.savez_compressed(arguments.out, **weights, **heard.likelihoods(), weights=np.array(WEIGHTS))


if __name__ == "__main__":
    main()
