"""Train nets: make many scenes into features, and learn from them while fresh ones take their places.

    python -m tests.training.train --bank bank.npz --performances performances.npz --out FOLDER

On a GPU of 80 GB the defaults make 38,400 scenes (680 h) in about a minute and a half and take 32,000 steps by whole
scenes, some 20 a second; every 12 steps a batch gives way to a fresh one. On two cores without a GPU take ``--scenes 16
--batches 250 --renew 100 --passes 15000`` overnight. Everything is drawn from ``--seed``. Nets are written every 200
passes; ``--start NET.npz ...`` goes on from nets of an earlier run, best with another seed.

Several GPUs of one machine learn one net together, each from scenes of its own, where one process is started for each
with ``RANK`` 0, 1 ... and ``WORLD_SIZE``, ``MASTER_ADDR=127.0.0.1`` and a free ``MASTER_PORT`` in its environment. The
first writes the net.
"""

from __future__ import annotations

import argparse
import copy
import json
import logging
import math
import os
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, distributed

from tests.training.material import Material
from tests.training.net import CONTEXT, Net, asked, load, loss_of, save, widened
from tests.training.plan import random_scene
from tests.training.scene import SCENE_S, stacked
from tests.training.sound import BANDS, Bank, features_of

log = logging.getLogger(__name__)

WARM_UP = 0.02
LAUNCHED = (("RANK", 0), ("WORLD_SIZE", 1))
"""Which process of how many this is: names in its environment, and what holds without them."""

SEEDS_APART = 7919
"""Between processes that learn one net together."""

AVERAGE = 0.004
"""Part of the newest weights in the slow average, at each step."""


class Scenes(torch.utils.data.IterableDataset):  # type: ignore[misc]
    """Endless batches of planned scenes; every worker draws from its own seed."""

    def __init__(self, bank: Path, performances: Path, size: int, seed: int) -> None:
        self._paths, self._size, self._seed = (bank, performances), size, seed

    def __iter__(self) -> Iterator[dict[str, Tensor]]:
        info = torch.utils.data.get_worker_info()
        rng = np.random.default_rng([self._seed, info.id if info else 0])
        material = Material.load(*self._paths)
        while True:
            batch = stacked([random_scene(rng, material) for _ in range(self._size)])
            yield {name: torch.from_numpy(value) for name, value in batch.items()}


def varied(x: Tensor, generator: torch.Generator) -> Tensor:
    """Return features as if each scene were on another tape: so that no scene is ever heard twice alike.

    Some miss their highest or lowest bands, as through a dull or thin tape; some are a band (three semitones) higher or
    lower, and no more, since how low drums sound tells at which speed a tape runs; all have a little more or less
    between loud and soft.
    """
    scenes, device = len(x), x.device
    band = torch.arange(BANDS, device=device).repeat(2)

    def drawn(low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(scenes, 1, 1, device=device, generator=generator)

    shift = torch.where(drawn(0, 1) < 0.5, drawn(-1.5, 1.5).round(), 0.0).long()
    top = torch.where(drawn(0, 1) < 0.3, drawn(12, 32), 99.0)
    bottom = torch.where(drawn(0, 1) < 0.12, drawn(0, 8), -1.0)
    source = band + shift
    there = (source >= 0) & (source < BANDS) & (band < top) & (band > bottom)
    source = source.clamp(0, BANDS - 1) + BANDS * (torch.arange(2 * BANDS, device=device) >= BANDS)
    return x.gather(2, source.expand(x.shape)) * there * drawn(0.8, 1.25)


class Pupil:
    """One net, its optimiser, and a slow average of its weights, which is what is kept.

    Args:
        net: The net to train, on its device.
        seed: Seed of how its features are varied.
    """

    def __init__(self, net: Net, seed: int) -> None:
        self.net, self.average, self.seed, self.steps = net, copy.deepcopy(net), seed, 0
        self._device = next(net.parameters()).device
        self._quick = torch.compile(net) if self._device.type == "cuda" else net
        self._optimiser = torch.optim.AdamW(net.parameters(), lr=1e-4, weight_decay=1e-3)
        self._generator = torch.Generator(self._device)
        self._generator.manual_seed(seed)
        self._parts: dict[str, Tensor] = {}

    def learn(self, x: Tensor, target: Tensor, rate: float) -> None:
        """Take one step by whole scenes."""
        for group in self._optimiser.param_groups:
            group["lr"] = rate
        x = torch.nn.functional.pad(varied(x.float(), self._generator), (0, 0, CONTEXT, 0))
        with torch.autocast(self._device.type, torch.bfloat16):
            logits = self._quick(x)
        parts = loss_of(logits, target)
        self._optimiser.zero_grad(set_to_none=True)
        torch.stack(list(parts.values())).sum().backward()
        share_gradients(self.net)
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 1.0)
        self._optimiser.step()
        self.steps += 1
        with torch.no_grad():
            share = max(AVERAGE, 1 / self.steps)
            torch._foreach_lerp_(list(self.average.parameters()), list(self.net.parameters()), share)
        self._parts = {name: part.detach() for name, part in parts.items()}

    def losses(self) -> dict[str, float]:
        """Return the parts of the last step's loss."""
        return {name: round(float(part), 4) for name, part in self._parts.items()}

    def losses_of(self, x: Tensor, target: Tensor) -> dict[str, float]:
        """Return the parts of the loss that the slow average has on some scenes, without learning from them."""
        x = torch.nn.functional.pad(x.float(), (0, 0, CONTEXT, 0))
        with torch.no_grad(), torch.autocast(self._device.type, torch.bfloat16):
            parts = loss_of(self.average(x), target)
        return {name: round(float(part), 4) for name, part in parts.items()}


def share_gradients(net: Net) -> None:
    """Give every process the mean of what all of them learnt at this step; alone, do nothing."""
    if not distributed.is_initialized():
        return
    gradients = [weights.grad for weights in net.parameters()]
    flat = torch.cat([gradient.flatten() for gradient in gradients]) / distributed.get_world_size()
    distributed.all_reduce(flat)
    for gradient, mean in zip(gradients, flat.split([gradient.numel() for gradient in gradients]), strict=True):
        gradient.copy_(mean.view_as(gradient))


def agreed(value: float) -> float:
    """Return what the first process says, so that all take the same steps."""
    if not distributed.is_initialized():
        return value
    said = torch.tensor([value], dtype=torch.float64)
    distributed.broadcast(said, 0)
    return float(said)


def rate_at(done: float) -> float:
    """Return the learning rate over its peak when ``done`` (0..1) of the time is gone: warm-up, then half a cosine."""
    if done < WARM_UP:
        return (done + 1e-3) / WARM_UP
    return float(0.02 + 0.98 * 0.5 * (1 + np.cos(np.pi * (done - WARM_UP) / (1 - WARM_UP))))


def write(pupils: list[Pupil], arguments: argparse.Namespace, made: int, losses: list[dict[str, object]]) -> None:
    """Write weights and the losses so far, of so many batches that each process made; the first process does it."""
    if arguments.rank:
        return
    out, hours = arguments.out, made * arguments.scenes * SCENE_S / 3600 * arguments.processes
    out.mkdir(parents=True, exist_ok=True)
    for i, pupil in enumerate(pupils):
        save(pupil.average, out / f"net{i}.npz", seed=pupil.seed, steps=pupil.steps, hours=hours)
    (out / "losses.json").write_text(json.dumps(losses))


class Kept:
    """Batches of features and what is asked of them, on the device, to draw mixed ones from."""

    def __init__(self, seed: int) -> None:
        self._features: list[Tensor] = []
        self._targets: list[Tensor] = []
        self._oldest = 0
        self._rng = np.random.default_rng([seed, 1])

    def keep(self, features: Tensor, target: Tensor) -> None:
        """Add a batch."""
        self._features.append(features.bfloat16())
        self._targets.append(target.half())

    def renew(self, features: Tensor, target: Tensor) -> None:
        """Put a batch in the place of the one that was kept longest."""
        self._features[self._oldest] = features.bfloat16()
        self._targets[self._oldest] = target.half()
        self._oldest = (self._oldest + 1) % len(self._features)

    def put_apart(self) -> tuple[Tensor, Tensor]:
        """Return the newest batch, which is drawn from no more: scenes that no net learns from."""
        return self._features.pop(), self._targets.pop()

    def drawn(self) -> tuple[Tensor, Tensor]:
        """Return a batch mixed from parts of those kept."""
        size = len(self._features[0])
        parts = math.gcd(8, size)
        piece = size // parts
        chosen = self._rng.integers(len(self._features), size=parts)
        starts = self._rng.integers(size - piece + 1, size=parts)
        pairs = list(zip(chosen, starts, strict=True))
        return (
            torch.cat([self._features[i][at : at + piece] for i, at in pairs]),
            torch.cat([self._targets[i][at : at + piece] for i, at in pairs]),
        )


def sounded(arguments: argparse.Namespace, device: torch.device) -> Iterator[tuple[Tensor, Tensor]]:
    """Return endless batches of fresh scenes as features, and what is asked of them."""
    bank = Bank.load(arguments.bank, device)
    dataset = Scenes(arguments.bank, arguments.performances, arguments.scenes, arguments.own_seed)
    generator = torch.Generator(device)
    generator.manual_seed(arguments.own_seed)
    for plan in torch.utils.data.DataLoader(dataset, batch_size=None, num_workers=arguments.workers):
        batch = {name: value.to(device) for name, value in plan.items()}
        yield features_of(bank, batch, generator), asked(batch)


def pupils_of(arguments: argparse.Namespace, device: torch.device) -> list[Pupil]:
    """Return the nets to train: those of ``--start``, widened where they are narrower, then fresh ones."""
    torch.manual_seed(arguments.seed)
    nets = [widened(load(path), arguments.width) for path in arguments.start]
    nets += [Net(arguments.width) for _ in range(len(nets), arguments.nets)]
    return [Pupil(net.to(device), arguments.own_seed + i) for i, net in enumerate(nets)]


def taught(arguments: argparse.Namespace, device: torch.device) -> None:
    """Make the scenes, train the nets and write them."""
    torch.backends.cuda.matmul.allow_tf32 = True
    end = time.monotonic() + arguments.seconds
    pupils, made = pupils_of(arguments, device), arguments.batches - 1
    fresh, kept = sounded(arguments, device), Kept(arguments.own_seed)
    for number in range(arguments.batches):
        kept.keep(*next(fresh))
        if number % 25 == 0:
            log.info("%d of %d batches", number, arguments.batches)
    apart = kept.put_apart()
    losses: list[dict[str, object]] = []
    begun = time.monotonic()
    for number in range(arguments.passes):
        done = agreed(max(number / arguments.passes, (time.monotonic() - begun) / (end - begun)))
        if done >= 1:
            break
        if arguments.renew and number % arguments.renew == arguments.renew - 1:
            kept.renew(*next(fresh))
            made += 1
        rate = arguments.peak * rate_at(done)
        x, target = kept.drawn()
        for pupil in pupils:
            pupil.learn(x, target, rate)
        if number % 50 == 0:
            entry = {"pass": number, "s": round(time.monotonic() - begun, 1), "rate": rate}
            losses.append(entry | {"nets": [pupil.losses() for pupil in pupils]})
            log.info("%s", json.dumps(losses[-1]))
        if number % 200 == 199:
            losses.append({"pass": number, "apart": [pupil.losses_of(*apart) for pupil in pupils]})
            log.info("%s", json.dumps(losses[-1]))
            write(pupils, arguments, made, losses)
    write(pupils, arguments, made, losses)


def main() -> None:
    """Train, and write nets to a folder."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--bank", type=Path, required=True)
    parser.add_argument("--performances", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument(
        "--batches", type=int, default=400, help="batches of scenes to make, the last of them to be kept apart"
    )
    parser.add_argument(
        "--renew", type=int, default=12, help="steps after which one batch gives way to a fresh one; 0: none does"
    )
    parser.add_argument("--passes", type=int, default=32_000, help="batches to learn from")
    parser.add_argument("--scenes", type=int, default=96, help="scenes in a batch")
    parser.add_argument("--nets", type=int, default=1, help="how many learn from the same scenes")
    parser.add_argument("--width", type=int, default=96, help="channels of a net")
    parser.add_argument("--workers", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--peak", type=float, default=2e-3, help="highest learning rate")
    parser.add_argument("--seconds", type=float, default=math.inf, help="be done by then, scenes and all")
    parser.add_argument("--start", type=Path, nargs="*", default=[], help="nets to go on from")
    arguments = parser.parse_args()
    if arguments.batches < 2:
        parser.error(f"--batches {arguments.batches}: one batch is kept apart, so at least 2 are needed")
    arguments.rank, arguments.processes = (int(os.environ.get(name, other)) for name, other in LAUNCHED)
    arguments.own_seed = arguments.seed + SEEDS_APART * arguments.rank  # of all but the net itself, which is one
    logging.basicConfig(level=logging.WARNING if arguments.rank else logging.INFO, format="%(message)s")
    device = torch.device("cuda", arguments.rank) if torch.cuda.is_available() else torch.device("cpu")
    if arguments.processes > 1:
        distributed.init_process_group("cpu:gloo,cuda:nccl" if device.type == "cuda" else "gloo")
    if device.type == "cuda":
        torch.cuda.set_device(device)
    taught(arguments, device)
    if distributed.is_initialized():
        distributed.destroy_process_group()


if __name__ == "__main__":
    main()
