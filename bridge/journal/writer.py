"""The journal's writer: a thread that puts facts on disk while nobody waits for the disk.

What it guarantees, and on what that rests:

- `JournalWriter.write` takes microseconds and never raises: it only puts the fact on a queue in memory.
- A fact is handed to the system within a few milliseconds (later only while the disk itself holds up a sync), as whole
  lines and without a buffer in between. *Written* means that: from then on kill -9 of the process cannot lose it.
- Twice a second what was written is synced to the disk: a power cut loses at most the last second, as long as the disk
  takes less than half a second for it.
- A full disk raises nothing. The writer gives up its reserve of 1 MiB, then tries again until there is room; up to
  `QUEUE_FACTS` facts wait meanwhile. Those that come when the queue is full are counted, and a `FactsLost` says so.
"""

from __future__ import annotations

import threading
import time
from contextlib import suppress
from pathlib import Path
from queue import Empty, Full, Queue
from types import TracebackType

from bridge.errors import TakeError
from bridge.events import Fact, FactsLost
from bridge.journal.codec import fact_line, schema_line
from bridge.journal.disk_file import GrowingFile

QUEUE_FACTS = 8192
"""Facts that may wait for the disk: more than five minutes of a busy set with two decks."""

AT_ONCE = 256
"""Facts that go to the disk in one write at most."""

RETRY_S = 0.2
"""Pause before a refused write is tried again."""

LEAVE_S = 5.0
"""Leaving takes at most this long."""

GIVE_UP_S = 4.0
"""At the end, a disk that refuses is tried for so long."""


class JournalWriter:
    """Appends facts to a journal from a thread of its own, started and ended by ``with``.

    An existing journal is carried on: a line torn by a crash is ended first. `write` may be called from any thread.

    Args:
        path: The journal; its folder exists.

    Raises:
        TakeError: On entering, when the journal cannot be opened; on leaving, when accepted facts could not be
            written. (When the body of ``with`` raised already, the latter is added to that error as a note.)
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._queue: Queue[Fact | None] = Queue(QUEUE_FACTS)
        self._lock = threading.Lock()
        self._lost = 0
        self._lost_from = 0.0
        self._closed = False
        self._ending = threading.Event()
        self._give_up = 0.0
        self._failures: list[str] = []
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)

    def __enter__(self) -> JournalWriter:
        try:
            self._file = GrowingFile(self._path)
        except OSError as error:
            raise TakeError(
                f"{self._path}: the journal cannot be opened: {error.strerror or error}. "
                "Name a folder that you may write to, under take.folder in the rig."
            ) from error
        self._thread.start()
        return self

    def write(self, fact: Fact) -> None:
        """Have a fact written down; never waits and never raises. After the end, it is lost."""
        with self._lock:
            if not self._closed:
                with suppress(Full):
                    self._queue.put_nowait(fact)
                    return
            if self._lost == 0:
                self._lost_from = fact.at
            self._lost += 1

    def __exit__(self, kind: type[BaseException] | None, raised: BaseException | None, _: TracebackType | None) -> None:
        with self._lock:
            self._closed = True
        self._give_up = time.monotonic() + GIVE_UP_S
        self._ending.set()
        with suppress(Full):  # a full queue needs no waking up
            self._queue.put_nowait(None)
        self._thread.join(LEAVE_S)
        if self._thread.is_alive():
            self._failures.append(f"the disk did not answer within {LEAVE_S:g} s")
        if self._failures:
            failure = TakeError(
                f"{self._path}: not all of the journal could be written: {'; '.join(self._failures)}. "
                "Make room on that disk; what was written before stays readable: tapebridge review"
            )
            if raised is None:
                raise failure
            raised.add_note(str(failure))

    def _run(self) -> None:
        try:
            if self._file.empty:
                self._file.append(schema_line())
            while not self._done():
                if self._file.unwritten:
                    time.sleep(RETRY_S)
                    self._file.push()
                else:
                    self._file.append(self._next_lines())
                if self._file.seconds_to_sync() == 0.0:
                    self._file.sync()
            self._file.close()
            self._note_unwritten()
        except Exception as error:  # whatever ended the thread is raised where somebody sees it: on leaving
            self._failures.append(repr(error))

    def _done(self) -> bool:
        if not self._ending.is_set():
            return False
        left = self._file.unwritten or not self._queue.empty() or self._lost
        return not left or time.monotonic() > self._give_up

    def _note_unwritten(self) -> None:
        lines = self._file.unwritten.count(b"\n") + sum(fact is not None for fact in self._queue.queue)
        if lines or self._lost:
            self._failures.append(f"{lines} facts are missing at its end ({self._file.refused}), {self._lost} before")
        elif self._file.refused:
            self._failures.append(f"the last sync failed ({self._file.refused})")

    def _next_lines(self) -> bytes:
        """Wait for facts, or for the time to sync, and return the lines of what came."""
        lines = [self._lost_line()]
        with suppress(Empty):
            lines.append(self._line(self._queue.get(timeout=0.0 if lines[0] else self._file.seconds_to_sync())))
            while len(lines) < AT_ONCE:
                lines.append(self._line(self._queue.get_nowait()))
        return b"".join(lines)

    def _line(self, fact: Fact | None) -> bytes:
        if fact is None:  # only wakes the thread up
            return b""
        try:
            return fact_line(fact)
        except ValueError as error:
            self._failures.append(f"{type(fact).__name__}: {error}")
            return b""

    def _lost_line(self) -> bytes:
        with self._lock:
            lost, self._lost = self._lost, 0
        return fact_line(FactsLost(at=self._lost_from, count=lost)) if lost else b""
