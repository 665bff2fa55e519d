"""Writing down what the decks sounded like, from a thread of its own that troubles nobody."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Sequence
from errno import ENOSPC
from io import FileIO
from pathlib import Path
from queue import SimpleQueue
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from bridge.journal.disk_file import RESERVE_BYTES, open_raw
from bridge.journal.features import ROWS_PER_S, RowMaker, file_name, header
from bridge.journal.gathered import Gathered, Piece

QUEUE_S = 10.0
"""Sound that may wait; blocks that come on top of it are left out, and their rows are empty."""

WRITE_EVERY_S = 5
"""Rows go to the disk so often: what kill -9 may cost."""

KEEP_FREE_BYTES = 8 * RESERVE_BYTES
"""With less room on the disk nothing more is written: it is for the journal."""

LEAVE_S = 5.0
"""Leaving takes at most this long."""


class FeatureWriter:
    """Writes the features of every deck, started and ended by ``with``.

    Nothing is ever raised for it: once something fails, no more is written, and `failure` says why. A full disk has
    ended the sound long before.

    Args:
        folder: The take's folder.
        rate: Frames per second.
        decks: Name and channels of each deck, in the rig's order; channels count from 0 in the blocks.
        start: The listener's start in this take, from 1.
    """

    def __init__(self, folder: Path, rate: int, decks: Sequence[tuple[str, Sequence[int]]], start: int = 1) -> None:
        self._folder = folder
        self._rate = rate
        self._decks = [(name, list(channels), RowMaker(rate)) for name, channels in decks]
        self._start = start
        self._began_at: float | None = None
        self._gathered = Gathered(rate)
        self._queue: SimpleQueue[Piece | None] = SimpleQueue()
        self._lock = threading.Lock()
        self._waiting = 0
        self._files: list[FileIO] = []
        self._rows: list[list[bytes]] = [[] for _ in decks]
        self._failure: str | None = None
        self._thread = threading.Thread(target=self._run, name="features", daemon=True)

    @property
    def failure(self) -> str | None:
        """Why nothing is written any more; None while it is."""
        return self._failure

    def __enter__(self) -> FeatureWriter:
        self._thread.start()
        return self

    def write(self, frame: int, at: float, samples: NDArray[np.float32]) -> None:
        """Take in a block of sound; never waits and never raises.

        Args:
            frame: Number of its first frame since the sound began.
            at: Host time of that frame, in seconds.
            samples: Shape (frames, channels), full scale is 1.0; copied.
        """
        if self._began_at is None:
            self._began_at = at
        for piece in self._gathered.add(frame, samples):
            self._hand_on(piece)

    def __exit__(self, kind: type[BaseException] | None, raised: BaseException | None, _: TracebackType | None) -> None:
        for piece in self._gathered.rest():
            self._hand_on(piece)
        self._queue.put(None)
        self._thread.join(LEAVE_S)
        if self._thread.is_alive():
            self._failure = f"{self._folder}: the disk did not take the last features within {LEAVE_S:g} s"

    def _hand_on(self, piece: Piece) -> None:
        frames = len(piece[1])
        with self._lock:
            fits = self._failure is None and self._waiting + frames <= QUEUE_S * self._rate
            self._waiting += frames if fits else 0
        if fits:
            self._queue.put(piece)

    def _run(self) -> None:
        try:
            while (block := self._queue.get()) is not None:
                with self._lock:
                    self._waiting -= len(block[1])
                if self._failure is None:
                    self._hear(*block)
            self._write_out()
        except Exception as error:  # whatever it is, it must end the features and nothing else
            self._failure = f"{self._folder}: {getattr(error, 'strerror', None) or error!r}"
        for file in self._files:
            file.close()

    def _hear(self, frame: int, samples: NDArray[np.float32]) -> None:
        if not self._files:
            self._open()
        for (_, channels, maker), rows in zip(self._decks, self._rows, strict=True):
            made = maker.hear(frame, samples[:, channels].mean(axis=1))
            if len(made):
                rows.append(made.tobytes())
        if len(self._rows[0]) >= WRITE_EVERY_S * ROWS_PER_S:
            self._write_out()

    def _open(self) -> None:
        assert self._began_at is not None
        for place, (name, _, _) in enumerate(self._decks, 1):
            file = open_raw(self._folder / file_name(self._start, place, name))
            self._files.append(file)
            file.write(header(name, self._start, self._began_at))

    def _write_out(self) -> None:
        if shutil.disk_usage(self._folder).free < KEEP_FREE_BYTES:
            raise OSError(ENOSPC, "the disk is full")
        for file, rows in zip(self._files, self._rows, strict=False):
            file.write(b"".join(rows))
            rows.clear()
