"""Sounds without a beat, drawn from a seed: the fog signal's horns over the sea, the kettle's steam.

Nothing in them comes round at the pace of a beat: swells last seconds, and their moments are drawn by chance. Their
ends fit their beginnings, so that they loop without a seam.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from bridge.testing.tape import Recording

_HORNS_HZ = (55.0, 82.4, 73.4, 65.4)
_BED_RATE = 6_000
_STEAM_RATE = 24_000
_POINTS_A_SECOND = 20


def fog_signal(length_s: float, rng: np.random.Generator) -> Recording:
    """Return low horns that swell and fade one after the other above a distant sea.

    Args:
        length_s: Length of one pass in seconds, 30..600.
        rng: Where its chances come from.

    Raises:
        ValueError: The length is out of range.
    """
    if not 30.0 <= length_s <= 600.0:
        raise ValueError(f"a bed must be 30..600 s long, got {length_s!r}")
    frames = round(length_s * _BED_RATE)
    sea = _noise(frames, _BED_RATE, (90.0, 420.0), rng) * np.exp(0.4 * _wander(frames, _BED_RATE, (0.02, 0.12), rng))
    sound = 0.10 * sea
    begin = _BED_RATE // 2
    while begin < frames - 12 * _BED_RATE:
        length = round(rng.uniform(6.0, 9.5) * _BED_RATE)
        call = _swell(length) * _horn(length, float(rng.choice(_HORNS_HZ)), rng)
        sound[begin : begin + length] += rng.uniform(0.20, 0.30) * call
        begin += round(length * rng.uniform(0.45, 0.85))
    return Recording(name="fog signal", sound=0.8 * sound / np.abs(sound).max(), rate=_BED_RATE)


def kettle(length_s: float, rng: np.random.Generator) -> Recording:
    """Return steam: bands of hiss whose strengths wander slowly, each by itself.

    Args:
        length_s: Length of one pass in seconds, 10..600.
        rng: Where its chances come from.

    Raises:
        ValueError: The length is out of range.
    """
    if not 10.0 <= length_s <= 600.0:
        raise ValueError(f"steam must be 10..600 s long, got {length_s!r}")
    frames = round(length_s * _STEAM_RATE)
    sound = np.zeros(frames)
    for low_hz, strength in ((180.0, 0.8), (420.0, 1.0), (900.0, 0.7), (2_000.0, 0.45), (4_200.0, 0.3)):
        breath = np.exp(0.5 * _wander(frames, _STEAM_RATE, (0.03, 0.2), rng))
        sound += strength * breath * _noise(frames, _STEAM_RATE, (low_hz, 1.8 * low_hz), rng)
    return Recording(name="kettle", sound=0.8 * sound / np.abs(sound).max(), rate=_STEAM_RATE)


def _horn(frames: int, hertz: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return a steady horn note whose partials lean slowly, each by itself, so that none of them beat in step."""
    turned = 2 * np.pi * hertz * np.arange(frames) / _BED_RATE
    note = np.zeros(frames)
    for partial in range(1, 9):
        lean = 0.35 * _wander(frames, _BED_RATE, (0.02, 0.15), rng) + rng.uniform(0, 2 * np.pi)
        note += np.sin(partial * turned + lean) * 0.62**partial
    return note


def _swell(frames: int) -> NDArray[np.float64]:
    """Return a rise from 0 and a fall to 0 without corners, the fall slower than the rise."""
    return np.asarray(np.sin(np.pi * np.linspace(0.0, 1.0, frames) ** 0.7) ** 2)


def _wander(frames: int, rate: float, band_hz: tuple[float, float], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return `_noise` too slow to hear, made of few points with straight lines between them."""
    points = max(16, round(frames / rate * _POINTS_A_SECOND))
    slow = _noise(points, points * rate / frames, band_hz, rng)
    return np.asarray(np.interp(np.arange(frames) * points / frames, np.arange(points + 1), np.append(slow, slow[0])))


def _noise(frames: int, rate: float, band_hz: tuple[float, float], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return noise of RMS 1 between two frequencies, both flanks soft, its end joining its beginning."""
    low_hz, high_hz = band_hz
    hertz = fft.rfftfreq(frames, 1.0 / rate)
    with np.errstate(divide="ignore"):
        shape = 1.0 / np.sqrt(1.0 + (low_hz / hertz) ** 4) / np.sqrt(1.0 + (hertz / high_hz) ** 4)
    spectrum = shape * (rng.standard_normal(len(hertz)) + 1j * rng.standard_normal(len(hertz)))
    noise = fft.irfft(spectrum, frames)
    return np.asarray(noise / np.std(noise))
