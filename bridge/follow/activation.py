"""The small learned net that says, hop by hop, how much the sound is like a beat. Inference in plain numpy.

The net is a stack of causal dilated convolutions: each layer hears three moments of the one below, twice as far apart
as the layer before, so that together they hear the last 41 s, and nothing before. Training lives in
``tests/training/``; the weights' card, ``CARD.md`` beside ``weights.npz``, says what they were trained on.
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

_CONTEXT = 3  # hops that the first convolution spans: the present one and those before it
_ALONE = 4  # values that stand alone before the tempos: beat, present, and kick and snare, which only training asks for
_MEAN_HOPS = 3.0 * HOPS_PER_S
_LIMIT = 4.0


@dataclass(frozen=True, slots=True)
class Heard:
    """What the net says of one hop; all values are natural logarithms.

    Attributes:
        beat: Log odds of a beat at this hop.
        present: Log odds of there being a beat to follow at all.
        tempo: Shape (TEMPO_BINS,), log probability of each tempo, TEMPO_LOW to TEMPO_HIGH in equal ratios.
        phase: Shape (PHASE_BINS,), log probability of each place in the beat; the first is the beat itself.
    """

    beat: float
    present: float
    tempo: Curve
    phase: Curve


class Activation:
    """The net with what it remembers: one hop's tone bands in, one `Heard` out.

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
        self._layers = _Layers(z)
        self._wide, self._wide_bias = z["wide_weight"], z["wide_bias"]
        self._out, self._out_bias = z["out_weight"], z["out_bias"]
        self._inputs = _Inputs()
        self._recent = np.zeros((_CONTEXT, 2 * TONES), np.float32)
        self._flat = self._recent.reshape(-1)  # a view

    def renew(self) -> None:
        """Forget what was heard: what comes has nothing to do with what was."""
        self._layers.forget()

    def hear(self, tones_db: NDArray[np.float64]) -> Heard:
        """Return what the net says after one more hop, whose tone bands have the shape (TONES,)."""
        self._recent[:-1] = self._recent[1:]
        self._recent[-1] = self._inputs.of(tones_db)
        x = self._into @ self._flat
        x += self._into_bias
        x = self._wide @ self._layers.hear(np.maximum(x, 0, out=x))
        x += self._wide_bias
        out = self._out @ np.maximum(x, 0, out=x)
        out += self._out_bias
        tempo, phase = out[_ALONE : _ALONE + TEMPO_BINS], out[_ALONE + TEMPO_BINS :]
        return Heard(float(out[0]), float(out[1]), _log_softmax(tempo), _log_softmax(phase))


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


class _Layers:
    """The dilated layers: layer i hears its input now, 2**i and 2 * 2**i hops ago, and adds to it what it makes of it.

    What each layer hears of the past is known before the hop, so all pasts are weighed in one product.

    Source: A. van den Oord et al., "WaveNet: A Generative Model for Raw Audio", 2016.
    """

    def __init__(self, z: Mapping[str, Curve]) -> None:
        count = 1 + max(int(name.split("_")[1]) for name in z if name.startswith(("hear_", "add_")))
        width = len(z["into_bias"])
        # A logistic gate is half a hyperbolic tangent of half its argument, and a half: so one function does for both.
        halved = np.repeat(np.array([1.0, 0.5], np.float32), width)
        weights = np.stack([z[f"hear_{i}_weight"] * halved[:, None] for i in range(count)])  # (layers, out, taps)
        self._of_past = np.ascontiguousarray(weights[:, :, : 2 * width].transpose(0, 2, 1))
        self._of_now = [np.ascontiguousarray(one[:, 2 * width :]) for one in weights]
        self._bias = np.stack([z[f"hear_{i}_bias"] * halved for i in range(count)])
        self._add = [z[f"add_{i}_weight"] * np.float32(0.5) for i in range(count)]
        self._add_bias = [z[f"add_{i}_bias"] for i in range(count)]
        self._now = np.zeros((count + 1, width), np.float32)  # what each layer hears at this hop; last, what comes out
        self._heard = np.empty((count, 1, 2 * width), np.float32)
        # Each layer's past lies in a ring of its own, one after the other in one array.
        self._sizes = 2 * 2 ** np.arange(count)
        self._begins = np.cumsum(self._sizes) - self._sizes
        self._past = np.zeros((int(self._sizes.sum()), width), np.float32)
        self._taps = np.empty((2 * count, width), np.float32)
        self._hop = 0

    def forget(self) -> None:
        """Begin as if nothing had been heard."""
        self._past[:] = 0

    def hear(self, x: Curve) -> Curve:
        """Return what comes out after an input of shape (width,); the same shape."""
        oldest = self._begins + self._hop % self._sizes  # its place is the newest one's from now on
        middle = self._begins + (self._hop + self._sizes // 2) % self._sizes
        self._past.take(np.stack([oldest, middle], 1).ravel(), axis=0, out=self._taps, mode="clip")
        np.matmul(self._taps.reshape(len(oldest), 1, -1), self._of_past, out=self._heard)
        heard, now, width = self._heard[:, 0], self._now, len(x)
        heard += self._bias
        now[0] = x
        for i, both in enumerate(heard):
            here, after = now[i], now[i + 1]
            both += self._of_now[i] @ here
            np.tanh(both, out=both)
            gate = both[width:]
            gate += 1
            gate *= both[:width]
            np.dot(self._add[i], gate, out=after)
            after += self._add_bias[i]
            after += here
        self._past[oldest] = now[:-1]
        self._hop += 1
        out: Curve = np.maximum(now[-1], 0)
        return out


def _log_softmax(x: Curve) -> Curve:
    shifted: Curve = x - np.maximum.reduce(x)
    shifted -= log(float(np.add.reduce(np.exp(shifted))))
    return shifted
