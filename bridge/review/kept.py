"""The kept sound of a take: its segments, where each lies in the take, and a way to read them, torn ones too."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from bridge.events import Fact, LevelHeard, ListenerStarted, SoundKept
from bridge.review.read import Take

TORN_BLOCK_S = 0.1
"""A torn file is read in blocks of this length: what stands before the tear in its last one is lost."""

BLOCK_S = 10.0
"""A whole file is read in blocks of this length: after each read of FLAC the library looks for its place again."""

HOW_KEPT = "A set keeps it unless its rig says sound = false under [take]; a rehearsal keeps it without --fast."
"""What to do where a take has no sound."""

_NAME = re.compile(r"(?:sound|tap)-(\d{3})-(\d{12})\.flac")
_FIRST_LEVEL_S = 0.01  # a follower tells its first level after one hop of sound


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A file of kept sound.

    Attributes:
        path: The file.
        start: The listener that kept it, counted from 1.
        frame: Number of its first frame since that listener's sound began.
        begin_s: Its first frame, in seconds since the take began.
        length_s: How much of it can be read, in seconds.
        rate: Frames per second of the file.
        channels: Channels of the file.
        torn: Whether its end was never written; it is read as far as it goes.
    """

    path: Path
    start: int
    frame: int
    begin_s: float
    length_s: float
    rate: int
    channels: int
    torn: bool

    @property
    def end_s(self) -> float:
        """Its end, in seconds since the take began."""
        return self.begin_s + self.length_s


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSound:
    """All kept sound of a take.

    Attributes:
        segments: In order of time; those without a readable frame are left out.
        decks: The deck that each channel belongs to; empty where the journal does not tell.
        unreadable: Files that hold nothing that can be read, each with what was found.
    """

    segments: tuple[Segment, ...]
    decks: tuple[str, ...]
    unreadable: tuple[tuple[str, str], ...]

    @property
    def length_s(self) -> float:
        """How much sound there is, in seconds."""
        return sum(segment.length_s for segment in self.segments)


def kept_sound(take: Take) -> KeptSound:
    """Return where a take's sound lies.

    Frames are mapped to the host clock by the take's `SoundKept` facts: straight between two of them, and at the
    listener's rate outside. A journal of an older bridge has none: then a listener's first level tells where its
    sound began, to about 10 ms. A file at another rate than the listener's counts by its own rate from its first
    frame on.
    """
    decks = next((fact.decks for fact in reversed(take.facts) if isinstance(fact, SoundKept)), ())
    return _kept(take, take.sound, decks)


def kept_taps(take: Take) -> KeptSound:
    """Return where what a take's dry taps carried lies; the journal does not say whose each channel is, the rig does.

    It was recorded so that the beats can be found again as they were, and is measured and shown nowhere.
    """
    return _kept(take, take.taps, ())


def _kept(take: Take, paths: Sequence[Path], decks: tuple[str, ...]) -> KeptSound:
    lines = _lines(take.facts)  # in the journal's order: the first sound came in before its listener said so
    segments, unreadable = [], []
    for path in paths:
        named = _NAME.fullmatch(path.name)
        if named is None:
            continue
        start, frame = int(named[1]), int(named[2])
        try:
            rate, channels, length_s, torn = _looked_at(path)
        except (OSError, soundfile.LibsndfileError) as error:
            unreadable.append((path.name, str(error) or repr(error)))
            continue
        if length_s == 0.0:
            unreadable.append((path.name, "it holds no whole block of sound"))
            continue
        begin_s = _host_time(frame, lines.get(start, ([], [], rate)), take.began) - take.began
        segments.append(
            Segment(
                path=path,
                start=start,
                frame=frame,
                begin_s=begin_s,
                length_s=length_s,
                rate=rate,
                channels=channels,
                torn=torn,
            )
        )
    segments.sort(key=lambda segment: segment.begin_s)
    return KeptSound(segments=tuple(segments), decks=decks, unreadable=tuple(unreadable))


def blocks(segment: Segment, block_s: float = BLOCK_S) -> Iterator[NDArray[np.float32]]:
    """Yield a segment's sound in blocks, each shape (frames, channels), as far as it can be read."""
    with soundfile.SoundFile(segment.path) as file:
        yield from _blocks(file, round((TORN_BLOCK_S if segment.torn else block_s) * file.samplerate))


def last_of(segment: Segment, length_s: float) -> NDArray[np.float32]:
    """Return the end of a segment, shape (frames, channels)."""
    return _read(segment, max(0, round((segment.length_s - length_s) * segment.rate)), round(length_s * segment.rate))


def sound_between(kept: KeptSound, begin_s: float, end_s: float) -> tuple[NDArray[np.float32], int]:
    """Return a part of the kept sound, gaps as silence, and its rate.

    Args:
        kept: The sound.
        begin_s: First moment, in seconds since the take began.
        end_s: Last moment, after the first.

    Returns:
        Shape (frames, channels), at the rate of the first segment; and that rate. Channels and rates that other
        segments have more or otherwise are left out.

    Raises:
        ValueError: There is no sound, or the end is not after the begin.
    """
    if not (kept.segments and end_s > begin_s):
        raise ValueError(f"needs kept sound, and an end after the begin, got {begin_s!r}..{end_s!r} s")
    rate, channels = kept.segments[0].rate, max(segment.channels for segment in kept.segments)
    sound = np.zeros((round((end_s - begin_s) * rate), channels), np.float32)
    for segment in kept.segments:
        if segment.rate != rate or segment.end_s <= begin_s or segment.begin_s >= end_s:
            continue
        first = round((segment.begin_s - begin_s) * rate)
        part = _read(segment, max(0, -first), len(sound) - max(0, first))
        first = max(0, first)
        sound[first : first + len(part), : segment.channels] = part
    return sound, rate


def _read(segment: Segment, skip: int, frames: int) -> NDArray[np.float32]:
    parts: list[NDArray[np.float32]] = []
    with soundfile.SoundFile(segment.path) as file:
        if not segment.torn:
            file.seek(min(skip, file.frames))
            skip = 0
        for block in _blocks(file, round((TORN_BLOCK_S if segment.torn else 1.0) * file.samplerate)):
            kept, skip = block[skip:], max(0, skip - len(block))
            parts.append(kept[:frames])
            frames -= len(parts[-1])
            if frames <= 0:
                break
    return np.concatenate(parts) if parts else np.zeros((0, segment.channels), np.float32)


def _blocks(file: soundfile.SoundFile, frames: int) -> Iterator[NDArray[np.float32]]:
    while True:
        try:
            block = file.read(frames, dtype="float32", always_2d=True)
        except soundfile.LibsndfileError:  # torn: all blocks before it were given already
            return
        if not len(block):
            return
        yield block


def _looked_at(path: Path) -> tuple[int, int, float, bool]:
    """Return rate, channels, readable length in seconds, and whether the file is torn."""
    with soundfile.SoundFile(path) as file:
        rate, channels = file.samplerate, file.channels
        if 0 < file.frames < 1 << 40 and _ends_whole(file):
            return rate, channels, file.frames / rate, False
    with soundfile.SoundFile(path) as file:
        return rate, channels, sum(map(len, _blocks(file, round(TORN_BLOCK_S * rate)))) / rate, True


def _ends_whole(file: soundfile.SoundFile) -> bool:
    try:
        file.seek(file.frames - 1)
        return len(file.read(1)) == 1
    except soundfile.LibsndfileError:
        return False


_Line = tuple[list[int], list[float], int]


def _lines(facts: Sequence[Fact]) -> dict[int, _Line]:
    """Return for each start of the listener the frames and host times that are known, and its rate."""
    lines: dict[int, _Line] = {}
    start = 1
    for fact in facts:
        if isinstance(fact, ListenerStarted):
            start = fact.start
            lines[start] = ([], [], fact.rate)
        elif isinstance(fact, SoundKept) and start in lines:
            lines[start][0].append(fact.frame)
            lines[start][1].append(fact.at)
    for start, (frames, times, _) in lines.items():
        if not frames and (first := _first_level(facts, start)) is not None:
            frames.append(0)
            times.append(first - _FIRST_LEVEL_S)
    return lines


def _first_level(facts: Sequence[Fact], start: int) -> float | None:
    began = False
    for fact in facts:
        if isinstance(fact, ListenerStarted):
            began = fact.start == start
        elif began and isinstance(fact, LevelHeard):
            return fact.at
    return None


def _host_time(frame: int, line: _Line, began: float) -> float:
    frames, times, rate = line
    if not frames:
        return began
    after = bisect_right(frames, frame)
    if 0 < after < len(frames) and frames[after] > frames[after - 1]:
        share = (frame - frames[after - 1]) / (frames[after] - frames[after - 1])
        return times[after - 1] + share * (times[after] - times[after - 1])
    nearest = max(0, after - 1)
    return times[nearest] + (frame - frames[nearest]) / rate
