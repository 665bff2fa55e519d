"""The small learned net that says, hop by hop, how much the sound is like a beat. Inference in plain numpy.

The net runs with three memories at once: one never forgets, two start anew in turn. A memory that settled on the wrong
half of the beat tends to stay there, also after another tape was put in; a young one has no such habit. What is told is
the mean of the old memory and the elder of the young ones. Training lives in ``tests/training/``; the weights' card,
``CARD.md`` beside ``weights.npz``, says what they were trained on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from bridge.follow.features import HOPS_PER_S, TONES

Curve = NDArray[np.float32]

TEMPO_BINS, TEMPO_LOW, TEMPO_HIGH = 48, 30.0, 220.0
PHASE_BINS = 24

LATE_HOPS = 2
"""A beat shows this many hops after the hop that it falls into: a hit needs time to enter the window."""

_CONTEXT = 3  # hops that the convolution spans: the present one and those before it
_MEMORIES = 3
_RENEWED_HOPS = 800  # a young memory starts anew after so many hops, and is believed from the same age on
_MEAN_HOPS = 3.0 * HOPS_PER_S
_LIMIT = 4.0


@dataclass(frozen=True, slots=True)
class Heard:
    """What the net says of one hop; all values are natural logarithms.

    Attributes:
        beat: Log odds of a beat at this hop.
        present: Log odds of there being a beat to follow at all.
        kick, snare: Log odds of such a drum at this hop.
        tempo: Shape (TEMPO_BINS,), log probability of each tempo, TEMPO_LOW to TEMPO_HIGH in equal ratios.
        phase: Shape (PHASE_BINS,), log probability of each place in the beat; the first is the beat itself.
    """

    beat: float
    present: float
    kick: float
    snare: float
    tempo: Curve
    phase: Curve


class Activation:
    """The net with its memories: one hop's tone bands in, one `Heard` out.

    Args:
        arrays: The net's arrays by name, as ``tests/training`` wrote them.

    Raises:
        KeyError: An array is missing.
    """

    def __init__(self, arrays: Mapping[str, NDArray[np.generic]]) -> None:
        z = {name: np.asarray(array, np.float32) for name, array in arrays.items()}
        kernel = z["into_weight"]  # (width, features, _CONTEXT)
        self._into = np.ascontiguousarray(kernel.transpose(0, 2, 1).reshape(len(kernel), -1))
        self._into_bias = z["into_bias"]
        layers = sum(name.startswith("memory_weight_hh") for name in z)
        self._layers = [_Layer(*(z[f"memory_{part}_l{i}"] for part in _Layer.PARTS)) for i in range(layers)]
        self._out, self._out_bias = z["out_weight"], z["out_bias"]
        self._inputs = _Inputs()
        self._recent = np.zeros((_CONTEXT, 2 * TONES), np.float32)
        self._flat = self._recent.reshape(-1)  # a view
        self._hop = 0

    def renew(self) -> None:
        """Let every memory start anew: what comes has nothing to do with what was."""
        for layer in self._layers:
            layer.forget(slice(None))
        self._hop = 0

    def hear(self, tones_db: NDArray[np.float64]) -> Heard:
        """Return what the net says after one more hop, whose tone bands have the shape (TONES,)."""
        turn, age = divmod(self._hop, _RENEWED_HOPS)
        if turn and not age:
            for layer in self._layers:
                layer.forget(1 + turn % 2)
        self._hop += 1
        self._recent[:-1] = self._recent[1:]
        self._recent[-1] = self._inputs.of(tones_db)
        x = self._into @ self._flat
        x += self._into_bias
        x = np.maximum(x, 0, out=x)[None]
        for layer in self._layers:
            x = layer.step(x)
        told = x[0] if turn < 2 else (x[0] + x[1 + (turn - 1) % 2]) / 2
        out = self._out @ told + self._out_bias
        tempo, phase = out[4 : 4 + TEMPO_BINS], out[4 + TEMPO_BINS :]
        beat, present, kick, snare = out[:4].tolist()
        return Heard(beat, present, kick, snare, _log_softmax(tempo), _log_softmax(phase))


class _Inputs:
    """Tone bands over their running mean of 3 s, then their change since the hop before, both in tens of dB."""

    def __init__(self) -> None:
        self._first: NDArray[np.float64] | None = None
        self._last = self._mean = np.zeros(TONES)
        self._heard = np.empty(2 * TONES)

    def of(self, tones_db: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return shape (2 * TONES,), only valid until the next call."""
        if self._first is None:
            self._first = self._last = tones_db
        above = tones_db - self._first
        heard = self._heard
        self._mean = self._mean + (above - self._mean) / _MEAN_HOPS
        np.subtract(above, self._mean, out=heard[:TONES])
        np.subtract(tones_db, self._last, out=heard[TONES:])
        self._last = tones_db
        heard /= 10
        np.maximum(heard, -_LIMIT, out=heard)
        return np.minimum(heard, _LIMIT, out=heard)


class _Layer:
    """One gated recurrent layer, with its state for each memory.

    Source: K. Cho et al., "Learning Phrase Representations using RNN Encoder-Decoder", EMNLP 2014, with the reset gate
    after the product, as in the libraries that train it.
    """

    PARTS = ("weight_ih", "weight_hh", "bias_ih", "bias_hh")

    def __init__(self, into: Curve, again: Curve, into_bias: Curve, again_bias: Curve) -> None:
        self._into, self._again = into, again
        self._into_bias, self._again_bias = into_bias, again_bias
        self._units = again.shape[1]
        self._state = np.zeros((_MEMORIES, self._units), np.float32)
        self._old = np.empty((_MEMORIES, 3 * self._units), np.float32)

    def forget(self, memory: int | slice) -> None:
        """Start one memory anew, or all."""
        self._state[memory] = 0

    def step(self, x: Curve) -> Curve:
        """Return the new states, shape (memories, units), after an input of shape (1, n) or (memories, n)."""
        units, old = self._units, self._old
        new = x @ self._into.T
        new += self._into_bias
        for state, its_old in zip(self._state, old, strict=True):  # one by one: for so few columns that is faster
            np.dot(self._again, state, out=its_old)
        old += self._again_bias
        gates, proposal = old[:, : 2 * units], old[:, 2 * units :]  # views, worked on in place
        gates += new[:, : 2 * units]
        _logistic(gates)
        proposal *= gates[:, :units]
        proposal += new[:, 2 * units :]
        np.tanh(proposal, out=proposal)
        self._state -= proposal
        self._state *= gates[:, units:]
        self._state += proposal
        return self._state


def _logistic(x: Curve) -> None:
    x *= 0.5
    np.tanh(x, out=x)
    x *= 0.5
    x += 0.5


def _log_softmax(x: Curve) -> Curve:
    shifted: Curve = x - np.maximum.reduce(x)
    shifted -= log(float(np.add.reduce(np.exp(shifted))))
    return shifted
