"""A take's chapters on the stream's own recording: by comparing the sound, or by a moment that somebody names."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from bridge.errors import TakeError
from bridge.review.align import Alignment, Stretch, align
from bridge.review.chapters import Chapter, chapters, ffmetadata, placed, video_list, vtt
from bridge.review.cut import find_mark
from bridge.review.facts import tell
from bridge.review.files import write_files
from bridge.review.kept import KeptSound, blocks, kept_sound
from bridge.review.patterns import ROWS_PER_S, Pattern, contrast, laid, pieces
from bridge.review.read import read_take
from bridge.review.story import Story
from bridge.review.words import clean
from bridge.units import clock_text

LEAST_SURE = 0.5
"""An answer that is less likely than this is refused."""

_BLOCK_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Aligned:
    """A recording that was placed on a take.

    Attributes:
        found: Where it lies.
        how: "by sound", "by a mark" or "by an offset".
        recording_s: Length of the recording.
        chapters: The take's chapters, on the recording's time line.
        files: What was written.
    """

    found: Alignment
    how: str
    recording_s: float
    chapters: tuple[Chapter, ...]
    files: tuple[Path, ...]

    def as_record(self) -> dict[str, Any]:
        """Return it as plain values."""
        return {
            "how": self.how,
            "sure": round(self.found.sure, 4),
            "ppm": round(self.found.ppm, 1),
            "stretches": [
                {"begin_s": round(s.begin_s, 3), "end_s": round(s.end_s, 3), "offset_s": round(s.offset_s, 3)}
                for s in self.found.stretches
            ],
            "chapters": [{"begin_s": c.begin_s, "end_s": c.end_s, "title": c.title} for c in self.chapters],
            "files": [str(path) for path in self.files],
        }

    def as_text(self) -> str:
        """Return what was found, in lines."""
        lines = []
        for stretch in self.found.stretches:
            at = self.found.in_take(stretch.begin_s)
            sign = "-" if at < 0 else ""
            lines.append(f"{clock_text(stretch.begin_s)} of the recording is {sign}{clock_text(abs(at))} of the take")
        gaps = len(self.found.stretches) - 1
        said = f"Placed {self.how}"
        if self.how == "by sound":
            said += (
                f", {100 * self.found.sure:.0f} % sure; {gaps} drop-out{'' if gaps == 1 else 's'}, "
                f"clocks {self.found.ppm:+.0f} ppm apart"
            )
        return "\n".join([said, *lines, *map(str, self.files)])


def align_take(
    folder: Path,
    recording: Path,
    *,
    offset_s: float | None = None,
    mark: str | None = None,
    mark_at_s: float = 0.0,
    progress: Callable[[float], None] = lambda share: None,
) -> Aligned:
    """Place a recording on a take, and write the take's chapters for it.

    Args:
        folder: The take's folder.
        recording: A sound file.
        offset_s: When the recording began, in seconds of the take; None to compare the sound.
        mark: A mark (see `bridge.review.cut.find_mark`) that is heard at ``mark_at_s``; None to compare the sound.
        mark_at_s: Seconds of the recording.
        progress: Told how much is done, 0..1.

    Raises:
        TakeError: Take or recording cannot be read, no sound was kept to compare, or the two do not sound alike.
    """
    take = read_take(folder)
    story = tell(take.facts)
    with _opened(recording) as file:
        length_s = file.frames / file.samplerate
        if mark is not None:
            offset_s = find_mark(story, mark).seconds - mark_at_s
        if offset_s is not None:
            how = "by an offset" if mark is None else "by a mark"
            found = Alignment(stretches=(Stretch(begin_s=0.0, end_s=length_s, offset_s=offset_s),), ppm=0.0, sure=1.0)
        else:
            how, found = "by sound", _by_sound(kept_sound(take), story, folder, file, progress)
    mine = placed(chapters(story), found.in_recording, length_s)
    return Aligned(
        found=found, how=how, recording_s=length_s, chapters=mine, files=_written(folder, recording, mine, story)
    )


def take_pattern(kept: KeptSound, length_s: float, progress: Callable[[float], None]) -> Pattern:
    """Return the pattern of a take's kept sound: the mean of its decks', since a mix has now one, now the other."""
    owners = kept.decks or tuple(map(str, range(max(segment.channels for segment in kept.segments))))
    rows = int(length_s * ROWS_PER_S) + 1
    patterns = []
    for deck in dict.fromkeys(owners):
        channels = [n for n, owner in enumerate(owners) if owner == deck]
        patterns.append(contrast(laid(_deck_rows(kept, channels, progress), rows)))
    return np.asarray(np.mean(patterns, axis=0), np.float32)


def _deck_rows(
    kept: KeptSound, channels: list[int], progress: Callable[[float], None]
) -> Iterator[tuple[int, NDArray[np.float32]]]:
    for number, segment in enumerate(kept.segments):
        mine = [channel for channel in channels if channel < segment.channels]
        if mine:
            mono = (np.asarray(block[:, mine].mean(axis=1), np.float32) for block in blocks(segment))
            yield from pieces(mono, segment.rate, segment.begin_s)
        progress((number + 1) / len(kept.segments))


def _by_sound(
    kept: KeptSound, story: Story, folder: Path, file: soundfile.SoundFile, progress: Callable[[float], None]
) -> Alignment:
    if not kept.segments:
        raise TakeError(
            f"{folder}: no sound of this take was kept to compare. Say when the recording began, in seconds of the "
            "take: --offset SECONDS; or which mark is heard when: --mark MARK --at TIME"
        )
    length_s = max(story.length_s, kept.segments[-1].end_s)
    take = take_pattern(kept, length_s, lambda share: progress(0.5 * share))
    rows = int(file.frames / file.samplerate * ROWS_PER_S)
    recording = contrast(laid(pieces(_mono(file), file.samplerate, 0.0), rows))
    found = align(take, recording, lambda share: progress(0.6 + 0.4 * share))
    if found is None or not found.sure >= LEAST_SURE:
        sure = "" if found is None else f" (the best place is {100 * found.sure:.0f} % sure)"
        raise TakeError(
            f"{file.name}: does not sound like this take{sure}. Is it of the same evening? If so, say when it began, "
            "in seconds of the take: --offset SECONDS; or which mark is heard when: --mark MARK --at TIME"
        )
    return found


def _mono(file: soundfile.SoundFile) -> Iterator[NDArray[np.float32]]:
    with suppress(soundfile.LibsndfileError):  # torn: as far as it goes
        for block in file.blocks(round(_BLOCK_S * file.samplerate), dtype="float32", always_2d=True):
            yield np.nan_to_num(block.mean(axis=1), posinf=1.0, neginf=-1.0)


def _opened(path: Path) -> soundfile.SoundFile:
    try:
        file = soundfile.SoundFile(path)
    except (OSError, soundfile.LibsndfileError) as error:
        why = "there is no such file" if not path.exists() else getattr(error, "error_string", None) or str(error)
        raise TakeError(
            f"{path}: cannot be read as sound: {why.rstrip('.')}. Name a WAV, FLAC, OGG or MP3 file; of a video, "
            "save its sound as one of these first."
        ) from error
    if not 0 < file.frames < 1 << 40 or file.samplerate < 4000:
        file.close()
        raise TakeError(f"{path}: holds no sound that can be compared.")
    return file


def _written(folder: Path, recording: Path, mine: tuple[Chapter, ...], story: Story) -> tuple[Path, ...]:
    plain = re.sub(r"[^A-Za-z0-9]+", "-", recording.stem).strip("-")[:60] or "recording"
    title = clean(story.name) or folder.name
    files = {
        f"chapters-{plain}.vtt": vtt(mine),
        f"chapters-{plain}.txt": video_list(mine),
        f"chapters-{plain}.ffmetadata": ffmetadata(mine, title),
    }
    return tuple(write_files(folder, files).values())
