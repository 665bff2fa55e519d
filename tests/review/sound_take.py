"""A take whose sound was kept, for tests: one deck a channel, segments of a minute."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from bridge.events import Fact, ListenerStarted, MarkPlaced, SoundKept, TakeEnded, TakeStarted
from tests.review.sample import BEGAN, WALL, write_take

SEGMENT_S = 60.0


def take_with_sound(
    folder: Path,
    sound: NDArray[np.floating],
    rate: int,
    marks: Sequence[tuple[float, str]] = (),
    facts: Sequence[Fact] = (),
    decks: tuple[str, ...] = ("north", "south"),
    begin_s: float = 0.0,
) -> Path:
    """Write a take and return its folder.

    Args:
        folder: Where.
        sound: Shape (frames, decks), kept from ``begin_s`` on.
        rate: Its frames per second.
        marks: Seconds and text.
        facts: What else happened.
        decks: A name for each channel.
        begin_s: When the sound begins, in seconds of the take.
    """
    end = BEGAN + begin_s + len(sound) / rate
    frame = [
        TakeStarted(at=BEGAN, wall=WALL, name=folder.name, version="0.1.0", decks=decks, pedals=()),
        ListenerStarted(at=BEGAN, pid=4000, start=1, rate=rate, source="tapes of the lighthouse"),
        SoundKept(at=BEGAN + begin_s, frame=0, decks=decks),
        *(MarkPlaced(at=BEGAN + at, wall=WALL + at, text=text) for at, text in marks),
        *facts,
        TakeEnded(at=end, why="tapebridge end"),
    ]
    write_take(folder, sorted(frame, key=lambda fact: fact.at))
    step = round(SEGMENT_S * rate)
    for first in range(0, len(sound), step):
        soundfile.write(folder / f"sound-001-{first:012}.flac", sound[first : first + step], rate, subtype="PCM_24")
    return folder
