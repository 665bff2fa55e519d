"""The small learned net that says, hop by hop, how much the sound is like a beat. Inference in plain numpy.

The net is a stack of causal dilated convolutions: each layer hears three moments of the one below, twice as far apart
as the layer before, so that together they hear the last 41 s, and nothing before. Training lives in
``tests/training/``; the weights' card, ``CARD.md`` beside ``weights.npz``, says what they were trained on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.follow.features import HOPS_PER_S, TONES

Curve = NDArray[np.float32]

TEMPO_BINS, TEMPO_LOW, TEMPO_HIGH = 48, 30.0, 220.0
PHASE_BINS = 24

SHIFTS = (1, -3)
"""Bands by which the sound is heard higher, at three semitones a band: said is the mean of what the net makes of each.

How a kit is tuned, and what it tells of the tape's speed, misleads the net less so. Chosen on the development corpus.
"""

LATE_HOPS = 2
"""A beat shows this many hops after the hop that it falls into: a hit needs time to enter the window."""

_CONTEXT = 3  # hops that the first convolution spans: the present one and those before it
_ALONE = 4  # values that stand alone before the tempos: beat, present, and kick and snare, which only training asks for
_MEAN_HOPS = 3.0 * HOPS_PER_S
_LIMIT = 4.0
_AT_ONCE = 32  # hops, at most, that go through the layers together


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What the net says of some hops; all values are natural logarithms.

    Attributes:
        beat: Shape (hops,), log odds of a beat at each hop.
        present: Shape (hops,), log odds of there being a beat to follow at all.
        tempo: Shape (hops, TEMPO_BINS), log probability of each tempo, TEMPO_LOW to TEMPO_HIGH in equal ratios.
        phase: Shape (hops, PHASE_BINS), log probability of each place in the beat; the first is the beat itself.
    """

    beat: Curve
    present: Curve
    tempo: Curve
    phase: Curve


class Activation:
    """The net with what it remembers: tone bands of some hops in, what it hears in them out.

    The net's arrays are larger than what a processor keeps at hand, so that a few hops at once take little longer than
    one.

    Args:
        arrays: The net's arrays by name, as ``tests/training`` wrote them.
        shifts: Bands by which the sound is heard higher, or lower where negative, fewer than TONES; the mean is said.

    Raises:
        KeyError: An array is missing.
    """

    def __init__(self, arrays: Mapping[str, NDArray[np.generic]], shifts: Sequence[int] = SHIFTS) -> None:
        z = {name: np.asarray(array, np.float32) for name, array in arrays.items()}
        kernel = z["into_weight"]  # (width, features, _CONTEXT)
        self._into = np.ascontiguousarray(kernel.transpose(2, 1, 0).reshape(-1, len(kernel)))
        self._into_bias = z["into_bias"]
        count = 1 + max(int(name.split("_")[1]) for name in z if name.startswith(("hear_", "add_")))
        self._layers = [_Layer(z, i, len(shifts)) for i in range(count)]
        self._wide, self._wide_bias = _turned(z["wide_weight"]), z["wide_bias"]
        self._out, self._out_bias = _turned(z["out_weight"]), z["out_bias"]
        self._inputs, self._shifts = _Inputs(), shifts
        self._recent = np.zeros((len(shifts), _CONTEXT - 1, 2 * TONES), np.float32)

    def renew(self) -> None:
        """Forget what was heard: what comes has nothing to do with what was."""
        for layer in self._layers:
            layer.forget()

    def hear(self, tones_db: NDArray[np.float64]) -> Heard:
        """Return what the net says after each of some more hops, whose tone bands have the shape (hops, TONES)."""
        parts = [self._some(tones_db[at : at + _AT_ONCE]) for at in range(0, len(tones_db), _AT_ONCE)]
        out = parts[0] if len(parts) == 1 else np.concatenate(parts)
        tempo, phase = out[:, _ALONE : _ALONE + TEMPO_BINS], out[:, _ALONE + TEMPO_BINS :]
        return Heard(out[:, 0], out[:, 1], _log_softmax(tempo), _log_softmax(phase))

    def _some(self, tones_db: NDArray[np.float64]) -> Curve:
        hops, inputs = len(tones_db), self._inputs.of(tones_db)
        heard = np.concatenate([self._recent, np.array([_shifted(inputs, bands) for bands in self._shifts])], axis=1)
        self._recent = heard[:, hops:]
        x = _side_by_side([heard[:, i : i + hops] for i in range(_CONTEXT)]) @ self._into
        x += self._into_bias
        np.maximum(x, 0, out=x)
        for layer in self._layers:
            x = layer.hear(x)
        x = np.maximum(x, 0) @ self._wide
        x += self._wide_bias
        of_each = np.maximum(x, 0, out=x).reshape(len(self._shifts), hops, -1)
        out: Curve = of_each.mean(axis=0) @ self._out  # the mean of what each says: the rest is linear
        out += self._out_bias
        return out


def _shifted(inputs: Curve, bands: int) -> Curve:
    """Return inputs of the net, shape (hops, 2 * TONES), as of the same sound so many bands higher."""
    both, out = inputs.reshape(-1, 2, TONES), np.zeros((len(inputs), 2, TONES), np.float32)
    out[:, :, max(bands, 0) : TONES + bands] = both[:, :, max(-bands, 0) : TONES - bands]
    return out.reshape(inputs.shape)


def _side_by_side(parts: Sequence[Curve]) -> Curve:
    """Return parts of shape (ways, hops, n) side by side in one line for each hop of each way."""
    beside = np.concatenate(parts, axis=2)
    return beside.reshape(-1, beside.shape[2])


class _Inputs:
    """Tone bands over their running mean of 3 s, then their change since the hop before, both in tens of dB."""

    def __init__(self) -> None:
        self._first: NDArray[np.float64] | None = None
        self._last = self._mean = np.zeros(TONES)

    def of(self, tones_db: NDArray[np.float64]) -> Curve:
        """Return shape (hops, 2 * TONES)."""
        if self._first is None:
            self._first = self._last = tones_db[0]
        above = tones_db - self._first
        heard = np.empty((len(above), 2 * TONES))
        mean = self._mean
        for now, over in zip(above, heard[:, :TONES], strict=True):
            mean = mean + (now - mean) / _MEAN_HOPS
            np.subtract(now, mean, out=over)
        self._mean = mean
        np.subtract(tones_db, np.concatenate([self._last[None], tones_db[:-1]]), out=heard[:, TONES:])
        self._last = tones_db[-1]
        heard /= 10
        np.maximum(heard, -_LIMIT, out=heard)
        return np.minimum(heard, _LIMIT, out=heard).astype(np.float32)


class _Layer:
    """A dilated layer: hears its input now, 2**i and 2 * 2**i hops ago, and adds to it what it makes of it.

    Source: A. van den Oord et al., "WaveNet: A Generative Model for Raw Audio", 2016.

    Args:
        z: The net's arrays by name.
        number: The layer's number i.
        ways: In how many ways the same sound is heard.
    """

    def __init__(self, z: Mapping[str, Curve], number: int, ways: int) -> None:
        width = len(z["into_bias"])
        # A logistic gate is half a hyperbolic tangent of half its argument, and a half: so one function does for both.
        halved = np.repeat(np.array([1.0, 0.5], np.float32), width)
        self._hear = _turned(z[f"hear_{number}_weight"] * halved[:, None])  # (taps * width, 2 * width)
        self._hear_bias = z[f"hear_{number}_bias"] * halved
        self._add, self._add_bias = _turned(z[f"add_{number}_weight"] * np.float32(0.5)), z[f"add_{number}_bias"]
        self._apart, self._reach = 2**number, 2 * 2**number
        self._past = np.zeros((ways, self._reach + 2 * _AT_ONCE, width), np.float32)  # what was heard, up to `_end`
        self._end = self._reach

    def forget(self) -> None:
        """Begin as if nothing had been heard."""
        self._past[:] = 0

    def hear(self, x: Curve) -> Curve:
        """Return what comes out after inputs of shape (ways * hops, width), hops at most `_AT_ONCE`; the same shape."""
        width, reach, past = x.shape[1], self._reach, self._past
        hops = len(x) // len(past)
        if self._end + hops > past.shape[1]:
            past[:, :reach] = past[:, self._end - reach : self._end]
            self._end = reach
        end = self._end
        past[:, end : end + hops] = x.reshape(len(past), hops, width)
        begins = (end - reach, end - self._apart, end)
        both: Curve = _side_by_side([past[:, begin : begin + hops] for begin in begins]) @ self._hear
        both += self._hear_bias
        np.tanh(both, out=both)
        gate = both[:, width:]
        gate += 1
        gate *= both[:, :width]
        out: Curve = gate @ self._add
        out += self._add_bias
        out += x
        self._end = end + hops
        return out


def _turned(weights: Curve) -> Curve:
    """Return weights of shape (out, in) as (in, out)."""
    return np.ascontiguousarray(weights.T)


def _log_softmax(x: Curve) -> Curve:
    """Return natural logarithms of probabilities, known up to a sum, so that each row's sum to 1: shape (rows, n)."""
    shifted: Curve = x - np.maximum.reduce(x, axis=1, keepdims=True)
    shifted -= np.log(np.add.reduce(np.exp(shifted), axis=1, keepdims=True))
    return shifted
