"""The loudness of a take's kept sound, step by step on the take's own time line; long takes on every core."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from multiprocessing import get_context

import numpy as np
from numpy.typing import NDArray

from bridge.review.kept import KeptSound, Segment, blocks, last_of
from bridge.review.loudness import ABSOLUTE_GATE, HOP_S, Loudness, Meter, loudness_of, lufs

ALONE_S = 900.0
"""Sound up to this length is measured in this process: to start others would take longer."""

JOB_SEGMENTS = 4
"""Segments that one process measures at once."""

WORKERS = 2
"""Processes that measure at most: each takes 150 MB, and a review is to do with 600 in all."""

PRIME_S = 0.2
"""The weighting settles on so much of the sound before a job: its high pass forgets within a tenth of a second."""

QUIET_LU = 30.0
"""A deck this far below its own loudness is silent."""

SHORTEST_SILENCE_S = 2.0
"""Shorter silences are not told."""

_JOINED_S = 0.002
_WORKER = {
    "OPENBLAS_NUM_THREADS": "1",  # more threads than processes only get in each other's way
    "MALLOC_MMAP_THRESHOLD_": "100000000",  # else glibc hands each block of sound back to the system, and asks for it
    "MALLOC_TRIM_THRESHOLD_": "100000000",  # again: a third of all the time
}
"""How processes that measure are set up; what a system does not know it passes over."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """Kept sound in numbers.

    Attributes:
        powers: Weighted mean squares in steps of 100 ms from the begin of the take on, shape (steps, channels); NaN
            where no sound was kept.
        true_peaks: Highest absolute value of each channel, shape (channels,).
        decks: The deck of each channel; empty where that is unknown.
    """

    powers: NDArray[np.float64]
    true_peaks: NDArray[np.float64]
    decks: tuple[str, ...]

    def names(self) -> tuple[str, ...]:
        """Return what can be told apart: the decks, or all sound as one where its channels have no names."""
        return tuple(dict.fromkeys(self.decks)) or ("all channels",)

    def loudness(self, name: str) -> Loudness:
        """Return how loud a deck was."""
        columns = self._columns(name)
        return loudness_of(self.steps(name), float(self.true_peaks[columns].max()))

    def steps(self, name: str) -> NDArray[np.float64]:
        """Return a deck's weighted mean squares, summed over its channels, shape (steps,)."""
        return np.asarray(self.powers[:, self._columns(name)].sum(axis=1))

    def silences(self, name: str) -> tuple[tuple[float, float], ...]:
        """Return where a deck was silent, as pairs of seconds since the take began."""
        steps = self.steps(name)
        usual = self.loudness(name).integrated
        floor = ABSOLUTE_GATE if usual is None else max(ABSOLUTE_GATE, usual - QUIET_LU)
        quiet = np.isfinite(steps) & (lufs(np.nan_to_num(steps)) < floor)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], quiet, [False]])))
        spans = ((begin * HOP_S, end * HOP_S) for begin, end in zip(edges[::2], edges[1::2], strict=True))
        return tuple((float(b), float(e)) for b, e in spans if e - b >= SHORTEST_SILENCE_S)

    def _columns(self, name: str) -> list[int]:
        named = [column for column, deck in enumerate(self.decks) if deck == name]
        return named or list(range(self.powers.shape[1]))


def measure(kept: KeptSound, progress: Callable[[float], None] = lambda share: None) -> Measured | None:
    """Measure all kept sound.

    Args:
        kept: The sound.
        progress: Called with the share that is done, 0..1.

    Returns:
        None where no sound was kept.
    """
    if not kept.segments:
        return None
    channels = max(segment.channels for segment in kept.segments)
    steps = int(max(0.0, *(segment.end_s for segment in kept.segments)) / HOP_S) + 2
    powers = np.full((steps, channels), np.nan)
    peaks = np.zeros(channels)
    jobs = _jobs(kept.segments)
    for done, (job, (found, highest)) in enumerate(zip(jobs, _results(jobs, kept.length_s), strict=True), 1):
        first = max(0, round(job[-1][0].begin_s / HOP_S))
        found = found[: max(0, steps - first)]
        powers[first : first + len(found), : found.shape[1]] = found
        peaks[: len(highest)] = np.maximum(peaks[: len(highest)], highest)
        progress(done / len(jobs))
    decks = kept.decks if len(kept.decks) == channels else ()
    return Measured(powers=powers, true_peaks=peaks, decks=decks)


Job = tuple[Segment | None, tuple[Segment, ...]]
"""Segments that follow each other without a gap, after the one that they follow."""


def _jobs(segments: Sequence[Segment]) -> list[Job]:
    jobs: list[Job] = [(None, (segments[0],))]
    for before, segment in pairwise(segments):
        alike = (before.rate, before.channels, before.start) == (segment.rate, segment.channels, segment.start)
        joined = alike and not before.torn and abs(segment.begin_s - before.end_s) < _JOINED_S
        if joined and len(jobs[-1][1]) < JOB_SEGMENTS:
            jobs[-1] = (jobs[-1][0], (*jobs[-1][1], segment))
        else:
            jobs.append((before if joined else None, (segment,)))
    return jobs


def _results(jobs: Sequence[Job], length_s: float) -> Iterable[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Yield what each job found, in order; in other processes where that is worth it and allowed."""
    workers = min(os.cpu_count() or 1, WORKERS, len(jobs))
    done = 0
    if length_s > ALONE_S and workers > 1:
        try:
            with _set_for_workers(), ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
                for result in pool.map(measure_job, jobs):
                    yield result
                    done += 1
                return
        except (BrokenProcessPool, OSError):  # no memory or no right for more processes: it takes longer, that is all
            pass
    yield from map(measure_job, jobs[done:])


@contextmanager
def _set_for_workers() -> Iterator[None]:
    """Let processes that are started meanwhile begin with `_WORKER` in their environment."""
    before = {name: os.environ.get(name) for name in _WORKER}
    os.environ.update(_WORKER)
    try:
        yield
    finally:
        for name, value in before.items():
            os.environ.pop(name)
            if value is not None:
                os.environ[name] = value


def measure_job(job: Job) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the powers of a job's steps, shape (steps, channels), and its true peaks, shape (channels,)."""
    before, segments = job
    meter = Meter(segments[0].rate, segments[0].channels)
    if before is not None:
        meter.prime(last_of(before, PRIME_S))
    for segment in segments:
        for block in blocks(segment):
            meter.hear(block)
    return meter.powers, meter.true_peaks
