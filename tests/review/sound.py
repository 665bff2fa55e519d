"""Kept sound for the tests: segments as a listener would have written them, in a take of the sample."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from bridge.events import Fact, ListenerStarted, SoundKept
from tests.review.sample import BEGAN, ferry_night, write_take

RATE = 8000
BEGIN_S = 0.5
"""The sound of the first listener begins so long after the take."""

AGAIN_S = 94.0
"""The sound of the second one does."""

SEGMENT_S = 30


def tones(seconds: float, rate: int = RATE, first_s: float = 0.0) -> NDArray[np.float32]:
    """Two channels: 400 Hz at -20 dB left; 1 kHz at -26 dB right, which is silent in every second ten seconds."""
    at = first_s + np.arange(round(seconds * rate)) / rate
    right = 0.05 * np.sin(2 * np.pi * 1000 * at) * (at // 10 % 2 == 0)
    return np.stack([0.1 * np.sin(2 * np.pi * 400 * at), right], axis=1).astype(np.float32)


def write_segments(folder: Path, start: int, sound: NDArray[np.float32], rate: int = RATE, first: int = 0) -> None:
    """Write sound as segments of half a minute, from frame ``first`` on."""
    for frame in range(0, len(sound), SEGMENT_S * rate):
        path = folder / f"sound-{start:03}-{first + frame:012}.flac"
        soundfile.write(path, sound[frame : frame + SEGMENT_S * rate], rate, subtype="PCM_24")


def placed(seconds: float, frame: int, decks: Sequence[str] = ("north", "south")) -> Fact:
    """A fact that says where a frame lies in the take."""
    return SoundKept(at=BEGAN + seconds, frame=frame, decks=tuple(decks))


def ferry_night_with_sound(folder: Path) -> Path:
    """The sample take with the sound of both its listeners: from 0.5 to 91.5 s, and from 94 to 120 s."""
    heard = [replace(fact, rate=RATE) if isinstance(fact, ListenerStarted) else fact for fact in ferry_night()]
    facts = [*heard, placed(BEGIN_S, 0), placed(BEGIN_S + 60, 60 * RATE), placed(AGAIN_S, 0)]
    write_take(folder, sorted(facts, key=lambda fact: fact.at))
    write_segments(folder, 1, tones(91.0, first_s=BEGIN_S))
    write_segments(folder, 2, tones(26.0, first_s=AGAIN_S))
    return folder
