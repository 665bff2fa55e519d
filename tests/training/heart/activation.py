"""The small learned net that says, frame by frame, how much the sound is like a beat. Inference in plain numpy.

The net runs with three memories at once: one never forgets, two start anew in turn. A memory that settled on the wrong
half of the beat tends to stay there, also after another tape was put in; a young one has no such habit. What is told is
the mean of the old memory and the elder of the young ones. Training, and the card of the weights, live in
``tests/training/``; nothing here needs torch.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

CONTEXT = 3
"""Frames that the convolution spans: the present one and those before it."""

MEMORIES = 3
RENEWED_FRAMES = 800
"""A young memory starts anew after this many frames, and is believed from the same age on."""

TEMPO_BINS, TEMPO_LOW, TEMPO_HIGH = 48, 30.0, 220.0
PHASE_BINS = 24

LATE_FRAMES = 2
"""A beat shows this many frames after the frame that it falls into: a hit needs time to enter the window."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What the net says of one frame; all values are natural logarithms.

    Attributes:
        beat: Log odds of a beat at this frame.
        present: Log odds of there being a beat to follow at all.
        tempo: Shape (TEMPO_BINS,), log probability of each tempo, TEMPO_LOW to TEMPO_HIGH in equal ratios.
        phase: Shape (PHASE_BINS,), log probability of each place in the beat; the first is the beat itself.
    """

    beat: float
    present: float
    tempo: NDArray[np.float32]
    phase: NDArray[np.float32]


class Activation:
    """The net with its memories: one frame of features in, one `Heard` out.

    Args:
        weights: The ``.npz`` that ``tests/training`` wrote.

    Raises:
        OSError: The file cannot be read.
        KeyError: An array is missing in it.
    """

    def __init__(self, weights: Path) -> None:
        with np.load(weights) as file:
            z = {name: np.asarray(file[name], np.float32) for name in file.files}
        kernel = z["into_weight"]  # (width, features, CONTEXT)
        self._into = np.ascontiguousarray(kernel.transpose(0, 2, 1).reshape(len(kernel), -1))
        self._into_bias = z["into_bias"]
        layers = sum(name.startswith("memory_weight_hh") for name in z)
        self._layers = [_Layer(*(z[f"memory_{part}_l{i}"] for part in _Layer.PARTS)) for i in range(layers)]
        self._out, self._out_bias = z["out_weight"], z["out_bias"]
        self._recent = np.zeros((CONTEXT, kernel.shape[1]), np.float32)
        self._frame = 0

    def hear(self, features: NDArray[np.float32]) -> Heard:
        """Return what the net says after one more frame of features, shape (64,)."""
        turn, age = divmod(self._frame, RENEWED_FRAMES)
        if turn and not age:
            for layer in self._layers:
                layer.forget(1 + turn % 2)
        self._frame += 1
        self._recent[:-1] = self._recent[1:]
        self._recent[-1] = features
        x = np.maximum(self._into @ self._recent.ravel() + self._into_bias, 0)[:, None]
        for layer in self._layers:
            x = layer.step(x)
        told = x[:, 0] if turn < 2 else (x[:, 0] + x[:, 1 + (turn - 1) % 2]) / 2
        out = self._out @ told + self._out_bias
        tempo, phase = out[4 : 4 + TEMPO_BINS], out[4 + TEMPO_BINS :]
        return Heard(float(out[0]), float(out[1]), _log_softmax(tempo), _log_softmax(phase))


class _Layer:
    """One gated recurrent layer, with its state for each memory.

    Source: K. Cho et al., "Learning Phrase Representations using RNN Encoder-Decoder", EMNLP 2014, with the reset gate
    after the product, as in the libraries that train it.
    """

    PARTS = ("weight_ih", "weight_hh", "bias_ih", "bias_hh")

    def __init__(
        self,
        into: NDArray[np.float32],
        again: NDArray[np.float32],
        into_bias: NDArray[np.float32],
        again_bias: NDArray[np.float32],
    ) -> None:
        self._into, self._again = into, again
        self._into_bias, self._again_bias = into_bias[:, None], again_bias[:, None]
        self._units = again.shape[1]
        self._state = np.zeros((self._units, MEMORIES), np.float32)

    def forget(self, memory: int) -> None:
        """Start one memory anew."""
        self._state[:, memory] = 0

    def step(self, x: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the new states, shape (units, MEMORIES), after an input of shape (n, 1) or (n, MEMORIES)."""
        units = self._units
        new = self._into @ x + self._into_bias
        old = self._again @ self._state + self._again_bias
        gates = 1 / (1 + np.exp(-np.clip(new[: 2 * units] + old[: 2 * units], -30, 30)))
        proposal = np.tanh(new[2 * units :] + gates[:units] * old[2 * units :])
        self._state = proposal + gates[units:] * (self._state - proposal)
        return self._state


def _log_softmax(x: NDArray[np.float32]) -> NDArray[np.float32]:
    shifted = x - x.max()
    return np.asarray(shifted - np.log(np.exp(shifted).sum()))
