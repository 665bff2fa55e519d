"""Sound of a made-up mixer: decks whose levels, hum, bleed and faults are known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

RATE = 48_000

Sound = NDArray[np.float64]


def tape(seed: int, seconds: float, loud_db: float = -26.0) -> Sound:
    """Hits of noise on a beat of the tape's own, whose loud parts have about that root mean square."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE)
    since = np.full(frames, 10 * RATE)
    for beat in np.cumsum(rng.uniform(0.2, 0.4, 200) * RATE).astype(int):
        if beat < frames:
            since[beat:] = np.arange(frames - beat)
    sound = rng.standard_normal(frames) * np.exp(-since / (0.05 * RATE))
    parts = sound[: frames // 4800 * 4800].reshape(-1, 4800)
    loud = np.percentile(np.sqrt(np.mean(parts**2, axis=1)), 95)
    return np.asarray(np.clip(sound * 10 ** (loud_db / 20) / loud, -0.95, 0.95))


def hiss(seed: int, seconds: float, rms_db: float = -75.0) -> Sound:
    """Noise of that root mean square."""
    return np.random.default_rng(seed).standard_normal(round(seconds * RATE)) * 10 ** (rms_db / 20)


def hum(hz: float, seconds: float, rms_db: float) -> Sound:
    """A sine of that root mean square."""
    return np.asarray(
        np.sqrt(2) * 10 ** (rms_db / 20) * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)
    )


def inputs(seconds: float, **played: Sound) -> Sound:
    """Return what four inputs hear: ``one`` to ``four`` as given, each with a little hiss of its own."""
    names = ("one", "two", "three", "four")
    return np.stack([played.get(name, 0.0) + hiss(100 + n, seconds) for n, name in enumerate(names)], axis=1)
