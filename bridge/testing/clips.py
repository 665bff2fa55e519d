"""The short recordings that come with the bridge: two drum loops, in the public domain (`LICENCE.md` beside them)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from bridge.errors import SoundFileError
from bridge.testing.tape import Recording

CLIP_BEATS = 16
"""Beats in each of the shipped loops. Source: frame counts, recordings/clips/LICENCE.md."""


def clips_folder() -> Path:
    """Return the folder of the shipped clips: inside an installed package, or beside it in a checkout.

    Raises:
        SoundFileError: Neither place has it.
    """
    package = Path(__file__).resolve().parents[1]
    places = (package / "clips", package.parent / "recordings" / "clips")
    for place in places:
        if place.is_dir():
            return place
    raise SoundFileError(f"the clips are at neither {places[0]} nor {places[1]}. Install the bridge again")


def drum_loop(clip: str, *, name: str, tempo: float) -> Recording:
    """Return a shipped loop as a tape that plays at ``tempo`` at normal speed, its pitch moved along.

    Args:
        clip: File name without its ending: "gravel-path" or "winch-room".
        name: Name of the tape.
        tempo: Tempo at normal speed in bpm, above 0.

    Raises:
        SoundFileError: The clip is absent or cannot be read.
    """
    path = clips_folder() / f"{clip}.flac"
    try:
        sound, _ = soundfile.read(path, dtype="float64")
    except soundfile.LibsndfileError as error:
        raise SoundFileError(f"{path} cannot be read: {error}. Install the bridge again") from error
    rate = len(sound) / CLIP_BEATS * tempo / 60.0
    return Recording(name=name, sound=sound, rate=rate, beats_s=np.arange(CLIP_BEATS, dtype=np.float64) * 60.0 / tempo)
