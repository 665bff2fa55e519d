"""Audio time: how far the host times of blocks are off, when their arrivals are late at random and frames get lost.

``python -m tests.bench.audio_time [--seconds N] [--seed N]`` prints JSON. Simulated: a device whose clock is 37 ppm off
delivers blocks, the callback for each is up to 20 ms late (uniform), one after another; frames are lost twice. In
the ``counted`` runs the device says how many, in the ``silent`` ones a gap of unknown length restarts the loop. The
reference is what a program has that does without: the time of each arrival less the length of the block. Figures are
in ms, after 5 s of settling and, where a gap is not counted, 5 s after it; the mean delay of the callbacks is no part
of a loop's error, since nothing in the arrivals tells of it: it is given by itself.

Source of the loop: F. Adriaensen, "Using a DLL to filter time", Linux Audio Conference 2005.
"""

from __future__ import annotations

import argparse
import json
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.edge.frame_clock import FrameClock

RATE = 48_000
SKEW = 37e-6
DELAY_S = 0.02
LOST = (700, 20_000)
"""Frames lost at a third and at two thirds of the run."""

SETTLE_S = 5.0

WANTED_MS = 1.0
"""Standard deviation wanted, in ms: a twentieth of the delay's range. No source: ours."""


def arrivals(blocks: int, block: int, rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return when each block of a device began by its own clock, and when its callback came, in seconds.

    Callbacks are in order: none comes before the one ahead of it.
    """
    frames = block * np.arange(blocks, dtype=float)
    for which, lost in zip((blocks // 3, 2 * blocks // 3), LOST, strict=True):
        frames[which:] += lost
    began = frames / RATE * (1.0 + SKEW)
    came = began + block / RATE * (1.0 + SKEW) + rng.uniform(0.0, DELAY_S, blocks)
    return began, np.maximum.accumulate(came)


def run(block: int, seconds: float, counted: bool, seed: int) -> dict[str, Any]:
    """Return the figures of one run."""
    blocks = int(seconds * RATE / block)
    began, came = arrivals(blocks, block, np.random.default_rng(seed))
    clock = FrameClock(RATE)
    gaps = {blocks // 3: LOST[0], 2 * blocks // 3: LOST[1]}
    heard = np.empty(blocks)
    for index in range(blocks):
        if index in gaps:
            if counted:
                clock.skip(gaps[index])
            else:
                clock.restart()
        heard[index] = clock.block(block, came[index])
    settled = began > SETTLE_S
    if not counted:
        for gap in gaps:
            settled &= (began < began[gap]) | (began > began[gap] + SETTLE_S)
    return {
        "loop": _figures((heard - began)[settled]),
        "plain": _figures((came - block / RATE - began)[settled]),
        "rate_error_ppm": round(1e6 * (clock.rate * (1.0 + SKEW) / RATE - 1.0), 3),
    }


def _figures(error_s: NDArray[np.float64]) -> dict[str, float]:
    error_ms = 1e3 * error_s
    mean = float(error_ms.mean())
    return {
        "std_ms": round(float(error_ms.std()), 4),
        "worst_ms": round(float(np.abs(error_ms - mean).max()), 4),
        "mean_delay_ms": round(mean, 3),
    }


def measure(seconds: float, seed: int) -> dict[str, Any]:
    """Return the figures of all runs."""
    runs = {
        f"{block} frames, {'counted' if counted else 'silent'}": run(block, seconds, counted, seed)
        for block in (128, 512, 2048)
        for counted in (True, False)
    }
    worst = max(found["loop"]["std_ms"] for found in runs.values())
    part = max(found["loop"]["std_ms"] / found["plain"]["std_ms"] for found in runs.values())
    return {
        "seconds": seconds,
        "delay_up_to_ms": 1e3 * DELAY_S,
        "frames_lost": LOST,
        "runs": runs,
        "worst_std_ms": worst,
        "worst_part_of_plain": round(part, 4),
        "met": {f"standard deviation at most {WANTED_MS} ms": worst <= WANTED_MS},
    }


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seconds", type=float, default=300.0, help="length of each simulated run (default: 300)")
    options.add_argument("--seed", type=int, default=1, help="another run for each number (default: 1)")
    chosen = options.parse_args()
    print(json.dumps(measure(chosen.seconds, chosen.seed), indent=2))
