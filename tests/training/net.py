"""The net that is trained, a stack of causal dilated convolutions, and what it is asked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from tests.training.sound import BANDS

TEMPO_BINS, TEMPO_LOW, TEMPO_HIGH = 48, 30.0, 220.0
PHASE_BINS = 24
LATE = 2
"""Frames between a beat and the frame that must show it: a hit needs that long to enter the window."""

CONTEXT = 2
"""Frames before the present one that the convolution hears."""

HEADS = {"beat": 1, "present": 1, "kick": 1, "snare": 1, "tempo": TEMPO_BINS, "phase": PHASE_BINS}


DILATIONS = tuple(2**i for i in range(11))
"""Frames between what a layer hears together: with three taps a layer the net hears 41 s."""

TAPS, WIDE = 3, 128


class Net(nn.Module):
    """Features in, heads out; causal: a convolution, then gated dilated ones, each added to what was before.

    Source: A. van den Oord et al., "WaveNet: A Generative Model for Raw Audio", 2016; for beats, not causal,
    M. E. P. Davies and S. Böck, "Temporal convolutional networks for musical audio beat tracking", EUSIPCO 2019.

    Args:
        width: Channels.
    """

    def __init__(self, width: int) -> None:
        super().__init__()
        self.into = nn.Conv1d(2 * BANDS, width, CONTEXT + 1)
        self.hear = nn.ModuleList(nn.Linear(TAPS * width, 2 * width) for _ in DILATIONS)
        self.add = nn.ModuleList(nn.Linear(width, width) for _ in DILATIONS)
        self.wide = nn.Linear(width, WIDE)
        self.out = nn.Linear(WIDE, sum(HEADS.values()))
        for layer in self.add:
            nn.init.normal_(layer.weight, std=0.5 / width**0.5)
            nn.init.zeros_(layer.bias)

    def forward(self, x: Tensor) -> dict[str, Tensor]:
        """Return logits by head, each (scenes, frames, size).

        Args:
            x: Features (scenes, CONTEXT + frames, 2 * BANDS): the frames before come first.
        """
        x = torch.relu(self.into(x.transpose(1, 2))).transpose(1, 2)
        for dilation, hear, add in zip(DILATIONS, self.hear, self.add, strict=True):
            before = functional.pad(x, (0, 0, (TAPS - 1) * dilation, 0))
            heard = hear(torch.cat([before[:, i * dilation : i * dilation + x.shape[1]] for i in range(TAPS)], 2))
            level, gate = heard.chunk(2, dim=2)
            x = x + add(torch.tanh(level) * torch.sigmoid(gate))
        logits = self.out(torch.relu(self.wide(torch.relu(x))))
        return dict(zip(HEADS, logits.split(list(HEADS.values()), dim=2), strict=True))


def delayed(x: Tensor) -> Tensor:
    """Return a truth curve LATE frames later, as the net is asked for it."""
    return functional.pad(x[:, :-LATE], (LATE, 0))


def bell(x: Tensor, side: float = 0.4) -> Tensor:
    """Return instants widened to their neighbour frames."""
    wide = functional.pad(x, (1, 1))
    return torch.maximum(x, side * torch.maximum(wide[:, :-2], wide[:, 2:]))


def asked(truth: dict[str, Tensor]) -> Tensor:
    """Return what the net is asked for in whole scenes: shape (scenes, frames, 8), columns of `loss_of`."""
    weight = delayed(truth["weight"])
    weight = weight * (torch.arange(weight.shape[1], device=weight.device) > 150)  # a start from nothing is no fault
    tempo = torch.log(delayed(truth["tempo"]).clamp(min=TEMPO_LOW) / TEMPO_LOW)
    tempo = (tempo / np.log(TEMPO_HIGH / TEMPO_LOW) * TEMPO_BINS).floor().clamp(max=TEMPO_BINS - 1)
    columns = (
        weight,
        delayed(truth["present"]),
        bell(delayed(truth["beat"])),
        bell(delayed(truth["drums"][:, :, 0])),
        bell(delayed(truth["drums"][:, :, 1])),
        tempo,
        delayed(truth["phase"]) * PHASE_BINS,
    )
    return torch.stack(columns, 2)


def loss_of(logits: dict[str, Tensor], target: Tensor) -> dict[str, Tensor]:
    """Return the parts of the loss, each a scalar.

    Args:
        logits: What the net said.
        target: Some frames of what `asked` returns.
    """
    weight, present, beat, kick, snare, tempo, place = target.float().unbind(2)
    both = weight * present
    total, total_both = weight.sum().clamp(min=1), both.sum().clamp(min=1)

    def binary(head: str, wanted: Tensor) -> Tensor:
        part = functional.binary_cross_entropy_with_logits(logits[head][:, :, 0].float(), wanted, reduction="none")
        return (part * weight).sum() / total

    log_tempo = functional.log_softmax(logits["tempo"].float(), dim=2).gather(2, tempo.long()[:, :, None])[:, :, 0]
    low = place.floor()
    log_phase = functional.log_softmax(logits["phase"].float(), dim=2)
    near = log_phase.gather(2, (low.long() % PHASE_BINS)[:, :, None])[:, :, 0]
    beyond = log_phase.gather(2, ((low.long() + 1) % PHASE_BINS)[:, :, None])[:, :, 0]
    return {
        "beat": 4 * binary("beat", beat),
        "present": 0.5 * binary("present", present),
        "kick": 0.7 * binary("kick", kick),
        "snare": 0.7 * binary("snare", snare),
        "tempo": -0.5 * (log_tempo * both).sum() / total_both,
        "phase": -1.0 * (torch.lerp(near, beyond, place - low) * both).sum() / total_both,
    }


def save(net: Net, path: Path, **facts: object) -> None:
    """Write the weights as production reads them: plain float32 arrays by name, and facts about them."""
    arrays = {name.replace(".", "_"): value.detach().float().cpu().numpy() for name, value in net.state_dict().items()}
    np.savez_compressed(path, **arrays, **{name: np.array(fact) for name, fact in facts.items()})


def widened(net: Net, width: int) -> Net:
    """Return a wider net that says the same: its new channels hear everything, and nothing hears them yet.

    Source of the idea, where new channels are copies of old ones: T. Chen, I. Goodfellow and J. Shlens, "Net2Net:
    Accelerating Learning via Knowledge Transfer", ICLR 2016.

    Raises:
        ValueError: The net is wider than that.
    """
    old = len(net.into.bias)
    if old > width:
        raise ValueError(f"a net of {old} channels cannot become one of {width}: give at least {old}")
    new = Net(width)
    # Where the old channels lie among those of a layer's taps, and among its levels and gates.
    taps, gated = (np.add.outer(np.arange(n) * width, np.arange(old)).ravel() for n in (TAPS, 2))
    channels, wide, out = np.arange(old), np.arange(WIDE), np.arange(sum(HEADS.values()))
    layers = [("into", channels, np.arange(2 * BANDS)), ("wide", wide, channels), ("out", out, wide)]
    layers += [(f"hear.{i}", gated, taps) for i in range(len(DILATIONS))]
    layers += [(f"add.{i}", channels, channels) for i in range(len(DILATIONS))]
    with torch.no_grad():
        for name, rows, columns in layers:
            here, there = net.get_submodule(name), new.get_submodule(name)
            there.weight[rows] = 0.0
            there.weight[np.ix_(rows, columns)] = here.weight
            there.bias[rows] = here.bias
    return new


def load(path: Path) -> Net:
    """Return the net that `save` wrote."""
    z = np.load(path)
    net = Net(len(z["into_bias"]))
    net.load_state_dict({name: torch.from_numpy(z[name.replace(".", "_")]) for name in net.state_dict()})
    return net
