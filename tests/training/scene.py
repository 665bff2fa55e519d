"""A training scene before it is sound: what happens when, and the truth of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SCENE_S = 64
FRAMES_PER_S = 100
FRAMES = SCENE_S * FRAMES_PER_S
CLOCK = np.arange(FRAMES + 1) / FRAMES_PER_S
"""Seconds at the start of each frame, and at the end of the last."""


@dataclass
class Scene:
    """One scene, ready to be turned into sound.

    Attributes:
        events: Shape (n, 5): start in frames of sound, sound of the bank, speed, gain, longest length in frames.
        dry_events: The same, for what is not sent to the echo.
        delay: Shape (FRAMES,), delay of the echo in seconds; 0 where there is no echo in this scene.
        echo: Feedback and level of the echo.
        gain: Shape (FRAMES,), level of the whole.
        bed: Levels, colours and movement of the bed, see `tests.training.surroundings.random_bed`.
        tape: Low and high cutoff in Hz, drive, hiss level, reverb time in seconds and wet part.
        beat: Shape (FRAMES,), 1 at the frame of a beat.
        phase: Shape (FRAMES,), place in the beat, 0..1.
        tempo: Shape (FRAMES,), bpm; 0 where there is none.
        present: Shape (FRAMES,), 1 where there is a beat.
        weight: Shape (FRAMES,), 0 where the truth is uncertain.
        drums: Shape (FRAMES, 2), 1 at the frame of a kick and of a snare.
    """

    events: NDArray[np.float64]
    dry_events: NDArray[np.float64]
    delay: NDArray[np.float32]
    echo: tuple[float, float]
    gain: NDArray[np.float32]
    bed: dict[str, NDArray[np.float32]]
    tape: NDArray[np.float32]
    beat: NDArray[np.float32]
    phase: NDArray[np.float32]
    tempo: NDArray[np.float32]
    present: NDArray[np.float32]
    weight: NDArray[np.float32]
    drums: NDArray[np.float32]


def stacked(scenes: list[Scene]) -> dict[str, NDArray[np.generic]]:
    """Return scenes as arrays with one row a scene; events get the scene's number as last column."""
    out: dict[str, NDArray[np.generic]] = {}
    for name in ("events", "dry_events"):
        rows = [np.column_stack([getattr(s, name), np.full(len(getattr(s, name)), i)]) for i, s in enumerate(scenes)]
        out[name] = np.concatenate(rows)
    for name in ("delay", "echo", "gain", "tape", "beat", "phase", "tempo", "present", "weight", "drums"):
        out[name] = np.array([getattr(s, name) for s in scenes], np.float32)
    for name in ("noise", "colour", "tone_hz", "tone"):
        out[name] = np.array([s.bed[name] for s in scenes], np.float16 if name == "tone" else np.float32)
    return out


def chance(rng: np.random.Generator, p: float) -> bool:
    """Return True with probability ``p``."""
    return bool(rng.random() < p)
