"""The net that is trained: three frames wide, one recurrent layer, and what it is asked."""

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


class Net(nn.Module):
    """Features in, heads out; causal.

    Args:
        width: Channels of the convolution.
        units: Units of the recurrent layer.
        layers: Recurrent layers.
    """

    def __init__(self, width: int, units: int, layers: int = 1) -> None:
        super().__init__()
        self.into = nn.Conv1d(2 * BANDS, width, 3)
        self.memory = nn.GRU(width, units, num_layers=layers, batch_first=True)
        self.out = nn.Linear(units, sum(HEADS.values()))

    def forward(self, x: Tensor, hidden: Tensor | None = None) -> tuple[dict[str, Tensor], Tensor]:
        """Return logits by head, each (scenes, frames, size), and the state after the last frame.

        Args:
            x: Features (scenes, CONTEXT + frames, 2 * BANDS): the frames before come first.
            hidden: State after the frames before; zeros where None.
        """
        wide = torch.relu(self.into(x.transpose(1, 2))).transpose(1, 2).contiguous()
        remembered, hidden = self.memory(wide, hidden)
        logits = self.out(remembered)
        return dict(zip(HEADS, logits.split(list(HEADS.values()), dim=2), strict=True)), hidden


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


def widened(net: Net, width: int, units: int) -> Net:
    """Return a larger net that says what ``net`` says: its new units listen from the start, but nobody to them yet.

    Args:
        net: A net with one recurrent layer.
        width: Channels of the convolution, no fewer than the net has.
        units: Units of the recurrent layer, no fewer than the net has.
    """
    new, old = Net(width, units), net.state_dict()
    few, less = net.into.out_channels, net.memory.hidden_size
    with torch.no_grad():
        state = new.state_dict()
        state["into.weight"][:few], state["into.bias"][:few] = old["into.weight"], old["into.bias"]
        for gate in range(3):
            here, there = slice(gate * units, gate * units + less), slice(gate * less, (gate + 1) * less)
            for name, columns in (("memory.weight_ih_l0", few), ("memory.weight_hh_l0", less)):
                state[name][here] = 0.0
                state[name][here, :columns] = old[name][there]
            for name in ("memory.bias_ih_l0", "memory.bias_hh_l0"):
                state[name][here] = old[name][there]
        state["out.weight"].zero_()
        state["out.weight"][:, :less] = old["out.weight"]
        state["out.bias"].copy_(old["out.bias"])
    new.load_state_dict(state)
    return new


def save(net: Net, path: Path, **facts: object) -> None:
    """Write the weights as production reads them: plain float32 arrays by name, and facts about them."""
    arrays = {name.replace(".", "_"): value.detach().float().cpu().numpy() for name, value in net.state_dict().items()}
    np.savez_compressed(path, **arrays, **{name: np.array(fact) for name, fact in facts.items()})


def load(path: Path) -> Net:
    """Return the net that `save` wrote."""
    z = np.load(path)
    width, units = z["into_bias"].shape[0], z["memory_weight_hh_l0"].shape[1]
    net = Net(width, units, sum(name.startswith("memory_weight_hh") for name in z.files))
    net.load_state_dict({name: torch.from_numpy(z[name.replace(".", "_")]) for name in net.state_dict()})
    return net
