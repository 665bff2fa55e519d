"""How long after a sound its echo comes: from the pedal's return, or from a mix of both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Sound = NDArray[np.floating]

BAND_HZ = (80.0, 4000.0)
"""What tapes and echoes have in common."""

SHORTEST_S = 0.015
"""An echo that is shorter is one sound with what it echoes."""

STANDS_OUT = 15.0
"""An echo counts when its peak stands out of the mean around it by this factor; chance comes to 9, an echo to 70."""

AROUND_S = 0.03
"""So far around a peak it is compared, in seconds: hits on a beat are likely everywhere near the beat."""

FIRST = 0.5
"""The first peak of this share of the highest is the echo itself, and later ones are its repeats."""

ENVELOPE_HZ = 60.0
"""Width over which the loudness of a spectrum is evened out, for a mix of a sound and its echo."""

EVEN = 0.01
"""Bands quieter than this share of the mean are not raised any more, since only noise is in them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Echo:
    """An echo that was found.

    Attributes:
        time_s: How long after the sound it comes, in seconds.
        clear: By what factor it stands out.
    """

    time_s: float
    clear: float


def echo_of(dry: Sound, wet: Sound, rate: int, longest_s: float) -> Echo | None:
    """Return the first echo of one sound in another; None if none stands out.

    The response from the one to the other is estimated: what is regular in the sound itself, such as its beat, makes
    no echo.

    Args:
        dry: Shape (frames,), what goes into the pedal.
        wet: Shape (frames,), what comes back, at the same time; the dry sound may be in it, too.
        rate: Frames per second.
        longest_s: The longest echo to look for in seconds; three times as much sound or more is needed.

    Raises:
        ValueError: The shapes differ, or there is too little sound.

    Source: the regularised inverse filter (Wiener deconvolution), N. Wiener, 1949.
    """
    if dry.shape != wet.shape:
        raise ValueError(f"the two sounds differ in shape: {dry.shape} and {wet.shape}")
    a, hz = _spectrum(dry, rate, longest_s)
    b, _ = _spectrum(wet, rate, longest_s)
    band = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    power = np.abs(a) ** 2
    floor = EVEN * float(np.mean(power[band]))
    if not floor > 0:
        return None
    return _first(np.where(band, np.conj(a) * b / (power + floor), 0.0), rate, longest_s)


def echo_within(mix: Sound, rate: int, longest_s: float, near_s: tuple[float, float]) -> Echo | None:
    """Return the echo of a sound in a mix of both; None if none stands out.

    A beat that repeats exactly looks like an echo: ask for a time that no beat of the tape has.

    Args:
        mix: Shape (frames,).
        rate: Frames per second.
        longest_s: The longest echo to look at in seconds; three times as much sound or more is needed.
        near_s: Only an echo between these two times counts, in seconds.

    Raises:
        ValueError: There is too little sound.
    """
    a, hz = _spectrum(mix, rate, longest_s)
    band = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    power = np.abs(a) ** 2
    envelope = _evened(power, max(1, round(ENVELOPE_HZ / hz[1])))
    floor = EVEN * float(np.mean(power[band]))
    if not floor > 0:
        return None
    return _first(np.where(band, power / (envelope + floor), 0.0), rate, longest_s, near_s)


def _spectrum(sound: Sound, rate: int, longest_s: float) -> tuple[NDArray[np.complex128], NDArray[np.floating]]:
    if not len(sound) >= 3 * longest_s * rate > 0:
        raise ValueError(f"an echo of {longest_s:g} s needs {3 * longest_s:g} s of sound, got {len(sound) / rate:g} s")
    heard = np.nan_to_num(np.asarray(sound, dtype=np.float64))
    size = 1 << (len(heard) + round(longest_s * rate)).bit_length()
    return np.fft.rfft(heard - heard.mean(), size), np.arange(size // 2 + 1) * (rate / size)


def _evened(power: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Return the running mean over ``width`` bins on both sides."""
    sums = np.concatenate([[0.0], np.cumsum(power)])
    at = np.arange(len(power))
    low, high = np.maximum(at - width, 0), np.minimum(at + width + 1, len(power))
    return np.asarray((sums[high] - sums[low]) / (high - low))


def _first(
    response: NDArray[np.complexfloating] | NDArray[np.float64],
    rate: int,
    longest_s: float,
    near_s: tuple[float, float] | None = None,
) -> Echo | None:
    """Return the first echo in a response that is given as its spectrum."""
    begin, end = round(SHORTEST_S * rate), round(longest_s * rate)
    heights = np.abs(np.fft.irfft(response, 2 * (len(response) - 1))[: end + 1])
    around = np.maximum(_evened(heights, round(AROUND_S * rate)), 1e-12)
    low, high = (begin, end) if near_s is None else (max(begin, round(near_s[0] * rate)), round(near_s[1] * rate))
    stands_out = np.where(heights >= STANDS_OUT * around, heights, 0.0)[low : high + 1]
    if not (len(stands_out) and stands_out.max() > 0):
        return None
    first = low + int(np.flatnonzero(stands_out >= FIRST * stands_out.max())[0])
    peak = first + int(np.argmax(heights[first : first + round(rate / BAND_HZ[1])]))
    return Echo(time_s=peak / rate, clear=float(heights[peak] / around[peak]))
