"""Kept sound as WAV files with cue points and labels, for programs that edit sound."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from bridge.errors import TakeError
from bridge.review.kept import HOW_KEPT, KeptSound, sound_between

PART_S = 3600.0
"""A file holds an hour at most: the form of WAV ends at 4 GiB, and many programs at 2."""

PART_BYTES = 2_000_000_000
"""A file holds no more sound than this."""

SAMPLE_BYTES = 3

_BLOCK_S = 10.0


def write_wavs(
    kept: KeptSound,
    cues: Sequence[tuple[float, str]],
    folder: Path,
    progress: Callable[[float], None] = lambda share: None,
) -> tuple[Path, ...]:
    """Write all kept sound as ``sound-1.wav``, ``sound-2.wav`` and so on, 24 bit, gaps in it as silence.

    Each file is there whole or not at all, and begins where the one before it ends; the first begins with the take, so
    that its time is the take's.

    Args:
        kept: The sound.
        cues: Moments in seconds since the take began, each with its label; the order does not matter.
        folder: Where the files go.
        progress: Called with the share that is done, 0..1.

    Raises:
        TakeError: There is no sound, or a file cannot be written.
    """
    if not kept.segments:
        raise TakeError(f"{folder}: no sound of this take was kept, so there is none to write. {HOW_KEPT}")
    end_s = max(segment.end_s for segment in kept.segments)
    rate, channels = kept.segments[0].rate, max(segment.channels for segment in kept.segments)
    part_s = min(PART_S, PART_BYTES / (rate * channels * SAMPLE_BYTES))
    begins = np.arange(0.0, end_s, part_s)
    written = []
    for number, begin_s in enumerate(map(float, begins), 1):
        until_s = min(begin_s + part_s, end_s)
        path = folder / f"sound-{number}.wav"
        mine = [(at - begin_s, label) for at, label in cues if begin_s <= at < until_s]
        _write_part(path, _sound(kept, begin_s, until_s, progress, end_s), rate, channels, mine)
        written.append(path)
    return tuple(written)


def cue_chunks(cues: Sequence[tuple[int, str]]) -> bytes:
    """Return a ``cue `` chunk and a ``LIST`` chunk of type ``adtl`` with a label for each point.

    Args:
        cues: Frame and label of each point.

    Source: IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0 (1991), WAVE: cue points,
    associated data list. Labels are UTF-8, as programs read them today (common practice).
    """
    if not cues:
        return b""
    ordered = list(enumerate(sorted(cues), 1))
    points = b"".join(struct.pack("<II4sIII", n, frame, b"data", 0, 0, frame) for n, (frame, _) in ordered)
    labels = b"".join(
        _chunk(b"labl", struct.pack("<I", n) + label.encode(errors="replace").replace(b"\0", b"") + b"\0")
        for n, (_, label) in ordered
    )
    return _chunk(b"cue ", struct.pack("<I", len(ordered)) + points) + _chunk(b"LIST", b"adtl" + labels)


def _sound(
    kept: KeptSound, begin_s: float, end_s: float, progress: Callable[[float], None], whole_s: float
) -> Iterator[NDArray[np.float32]]:
    rate = kept.segments[0].rate
    first, last = round(begin_s * rate), round(end_s * rate)
    block = round(_BLOCK_S * rate)
    for frame in range(first, last, block):
        yield sound_between(kept, frame / rate, min(frame + block, last) / rate)[0]
        progress(min(frame + block, last) / rate / whole_s)


def _write_part(
    path: Path,
    sound: Iterator[NDArray[np.float32]],
    rate: int,
    channels: int,
    cues: Sequence[tuple[float, str]],
) -> None:
    half = path.with_name(f".{path.name}.half")
    try:
        with soundfile.SoundFile(half, "w", rate, channels, "PCM_24", format="WAV") as file:
            for block in sound:
                file.write(block)
        _append(half, cue_chunks([(round(at * rate), label) for at, label in cues]))
        half.replace(path)
    except (OSError, soundfile.LibsndfileError) as error:
        raise TakeError(
            f"{path}: cannot be written: {getattr(error, 'strerror', None) or error}. "
            "Make room on that disk (an hour of two channels is 1 GB), or name another folder: --wav FOLDER"
        ) from error
    finally:
        half.unlink(missing_ok=True)


def _append(path: Path, chunks: bytes) -> None:
    """Add chunks to a RIFF file, and to the length that it tells of itself."""
    with path.open("r+b") as file:
        end = file.seek(0, 2)
        file.write(b"\0" * (end % 2) + chunks)
        length = file.tell() - 8
        file.seek(4)
        file.write(struct.pack("<I", length))


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)
