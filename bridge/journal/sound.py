"""Keeping the sound of a take: a thread that writes FLAC segments, and gives up before it troubles anything else.

A segment is ``sound-SSS-FFFFFFFFFFFF.flac``: SSS is the listener's start (1, 2 after a restart), F the number of the
segment's first frame since that start. Names sort in order of time, and frame numbers tell of every gap that is
longer than a moment: a short one is silence in its segment, and in the journal. What dry taps carried lies beside it
in ``tap-SSS-FFFFFFFFFFFF.flac``: nobody hears it in the mix, but the beats were found in it.
"""

from __future__ import annotations

import shutil
import threading
from contextlib import suppress
from errno import ENOSPC
from pathlib import Path
from queue import SimpleQueue
from types import TracebackType
from typing import Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

from bridge.errors import TakeError
from bridge.journal.gathered import Gathered, Piece
from bridge.units import FLAC_CHANNELS

SEGMENT_S = 120
"""Longest segment: what a torn file may cost at most."""

FILLED_S = 1.0
"""Longest gap that is filled with silence: a machine that is too busy would leave hundreds of files."""

QUEUE_S = 10.0
"""Sound that may wait for the disk; blocks that come on top of it are dropped and counted."""

KEEP_FREE_BYTES = 50_000_000
"""Sound ends when the disk has less room, so that the journal can go on for hours."""

LOOK_EVERY_S = 0.2
"""The disk's room is looked at each time so much sound was written: little enough that of the reserve that the journal
gives up on a full disk, sound takes no more than a part."""

LEAVE_S = 5.0
"""Leaving takes at most this long."""


class SoundWriter:
    """Writes blocks of sound to FLAC segments from a thread of its own, started and ended by ``with``.

    Once something fails, no more sound is kept and `failure` says why; nothing is ever raised for it, since neither
    the journal nor the clock may suffer. 24 bits a sample; what is beyond full scale is clipped, NaN is silence.

    Args:
        folder: The take's folder.
        rate: Frames per second.
        channels: 1..8.
        start: The listener's start in this take, from 1.
        what: How the files' names begin.

    Raises:
        TakeError: FLAC cannot hold so many channels, or there is sound of this start already.
    """

    def __init__(
        self, folder: Path, rate: int, channels: int, start: int = 1, what: Literal["sound", "tap"] = "sound"
    ) -> None:
        if not 1 <= channels <= FLAC_CHANNELS:
            raise TakeError(
                f"sound of {channels} channels cannot be kept: FLAC holds 1 to {FLAC_CHANNELS}. "
                "Name fewer channels in the rig, or switch keeping off there: take.sound = false"
            )
        if any(folder.glob(f"{what}-{start:03}-*.flac")):
            raise TakeError(
                f"{folder}: sound of start {start} is there already. Begin a new take, or use a higher start."
            )
        self._folder, self._rate, self._channels = folder, rate, channels
        self._prefix = f"{what}-{start:03}"
        self._gathered = Gathered(rate)
        self._queue: SimpleQueue[Piece | None] = SimpleQueue()
        self._lock = threading.Lock()
        self._waiting = 0
        self._dropped = 0
        self._failure: str | None = None
        self._segment: soundfile.SoundFile | None = None
        self._left = self._next = self._unlooked = 0
        self._thread = threading.Thread(target=self._run, name=what, daemon=True)

    @property
    def failure(self) -> str | None:
        """Why sound is no longer kept; None while it is."""
        return self._failure

    @property
    def dropped(self) -> int:
        """Frames left out because the disk was too slow."""
        return self._dropped

    def __enter__(self) -> SoundWriter:
        self._thread.start()
        return self

    def write(self, frame: int, samples: NDArray[np.float32]) -> None:
        """Have a block of sound kept; never waits and never raises.

        Args:
            frame: Number of the block's first frame since the sound began. A block that does not follow the one before
                begins a new segment; after a gap of up to `FILLED_S` it follows silence instead.
            samples: Shape (frames, channels), full scale is 1.0; copied.
        """
        for piece in self._gathered.add(frame, samples):
            self._hand_on(piece)

    def __exit__(self, kind: type[BaseException] | None, raised: BaseException | None, _: TracebackType | None) -> None:
        for piece in self._gathered.rest():
            self._hand_on(piece)
        self._queue.put(None)
        self._thread.join(LEAVE_S)
        if self._thread.is_alive():
            self._failure = f"{self._folder}: the disk did not take the last sound within {LEAVE_S:g} s"

    def _hand_on(self, piece: Piece) -> None:
        frames = len(piece[1])
        with self._lock:
            fits = self._waiting + frames <= QUEUE_S * self._rate
            self._waiting += frames if fits else 0
            self._dropped += 0 if fits or self._failure else frames
        if fits:
            self._queue.put(piece)

    def _run(self) -> None:
        while (block := self._queue.get()) is not None:
            with self._lock:
                self._waiting -= len(block[1])
            if self._failure is None:
                try:
                    self._keep(*block)
                except Exception as error:  # whatever it is, it must end keeping sound and nothing else
                    self._give_up(error)
        try:
            self._end_segment()
        except Exception as error:  # as above
            self._give_up(error)

    def _keep(self, frame: int, samples: NDArray[np.float32]) -> None:
        """Write a block, over as many segments as it takes."""
        self._look_at_the_disk(len(samples))
        samples = np.nan_to_num(samples, nan=0.0, posinf=1.0, neginf=-1.0)
        gap = frame - self._next
        if self._segment is not None and 0 < gap <= FILLED_S * self._rate:
            samples, frame = np.concatenate([np.zeros((gap, self._channels), samples.dtype), samples]), self._next
        elif gap:
            self._end_segment()
        while len(samples):
            segment = self._segment or self._begin_segment(frame)
            part = samples[: self._left]
            segment.write(part)
            self._left -= len(part)
            frame += len(part)
            samples = samples[len(part) :]
            if not self._left:
                self._end_segment()
        self._next = frame

    def _look_at_the_disk(self, frames: int) -> None:
        self._unlooked -= frames
        if self._unlooked <= 0:
            self._unlooked = round(LOOK_EVERY_S * self._rate)
            free = shutil.disk_usage(self._folder).free
            if free < KEEP_FREE_BYTES:
                raise OSError(ENOSPC, f"only {free / 1e6:.0f} MB are free, and they are for the journal")

    def _begin_segment(self, frame: int) -> soundfile.SoundFile:
        path = self._folder / f"{self._prefix}-{frame:012}.flac"
        self._segment = soundfile.SoundFile(path, "x", self._rate, self._channels, "PCM_24", format="FLAC")
        self._left = SEGMENT_S * self._rate
        return self._segment

    def _end_segment(self) -> None:
        segment, self._segment = self._segment, None
        if segment is not None:
            segment.close()

    def _give_up(self, error: Exception) -> None:
        try:  # of a full disk, libsndfile says that its decoder could not be set up
            self._look_at_the_disk(self._unlooked)
        except OSError as full:
            error = full
        said = getattr(error, "strerror", None) or str(error) or repr(error)
        self._failure = f"{self._folder}: {said}"
        with suppress(Exception):  # what is on disk of the segment stays; there is nothing more to do for it
            self._end_segment()
