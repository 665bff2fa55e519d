"""How fast one deck is followed, and what two decks cost live: prints JSON.

``python -m tests.bench.follow``. The sound is the built-in set's first deck at 48 kHz: silence, two tapes, a speed
switch, a bed. "live" feeds two decks at the pace of real sound in blocks of 256 frames and counts the processor time of
the whole process.
"""

from __future__ import annotations

import json
import multiprocessing
import resource
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from bridge.decks.transport import Transport
from bridge.follow.features import Features
from bridge.follow.follower import Follower
from bridge.rig import Deck

RATE = 48_000
BLOCK = 256
LIVE_S = 15.0
WANTED = {"times_real_time": 60, "live_cpu_share": 0.15}


class Ear:
    """One deck's rooms, each with the nanoseconds that it took per hop."""

    def __init__(self, rate: int, deck: Deck) -> None:
        self._features, self._follower, self._transport = Features(rate), Follower(deck, rate), Transport(deck, rate)
        self.spent_ns: dict[str, list[int]] = {"features": [], "follower": [], "transport": []}
        self._waiting_ns = 0

    def hear(self, block: np.ndarray) -> None:
        hops, spent = timed(lambda: self._features.hear(block))
        self._waiting_ns += spent
        for hop in hops:
            self.spent_ns["features"].append(self._waiting_ns // len(hops))
            _, spent = timed(lambda hop=hop: self._follower.hear(hop))
            self.spent_ns["follower"].append(spent)
            _, spent = timed(lambda hop=hop: self._transport.hear(hop, self._follower.state, self._follower.tempo))
            self.spent_ns["transport"].append(spent)
        if hops:
            self._waiting_ns = 0


def timed(work: Callable[[], Any]) -> tuple[Any, int]:
    begin = time.perf_counter_ns()
    result = work()
    return result, time.perf_counter_ns() - begin


def offline(sound: np.ndarray, deck: Deck) -> dict[str, Any]:
    """Follow one deck as fast as it goes."""
    ear = Ear(RATE, deck)
    _, whole_ns = timed(lambda: [ear.hear(sound[at : at + BLOCK]) for at in range(0, len(sound), BLOCK)])
    stages = {name: np.array(spent) / 1e3 for name, spent in ear.spent_ns.items()}
    each = sum(stages.values())
    return {
        "times_real_time": round(len(sound) / RATE / (whole_ns / 1e9), 1),
        "us_per_hop": {name: round(float(spent.mean()), 1) for name, spent in stages.items()},
        "hop_ms": {
            "median": round(float(np.median(each)) / 1e3, 3),
            "p99": round(float(np.percentile(each, 99)) / 1e3, 3),
            "worst": round(float(each.max()) / 1e3, 3),
        },
    }


def live(sound: np.ndarray, decks: tuple[Deck, ...]) -> dict[str, Any]:
    """Follow two decks at the pace of real sound."""
    ears = [Ear(RATE, deck) for deck in decks[:2]]
    sound = sound[20 * RATE :]
    begin, cpu = time.perf_counter(), time.process_time()
    for at in range(0, int(LIVE_S * RATE), BLOCK):
        time.sleep(max(0.0, begin + (at + BLOCK) / RATE - time.perf_counter()))
        for channel, ear in enumerate(ears):
            ear.hear(np.ascontiguousarray(sound[at : at + BLOCK, channel]))
    wall = time.perf_counter() - begin
    return {"seconds": round(wall, 1), "cpu_share": round((time.process_time() - cpu) / wall, 4)}


def peak_memory_mb() -> float:
    """Follow a minute of hiss in this process, and return the most memory that it held. For a fresh process."""
    ear = Ear(RATE, Deck(name="north", channels=(1,)))
    rng = np.random.default_rng(1)
    for _ in range(60):
        ear.hear(rng.normal(0, 0.1, RATE).astype(np.float32))
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform == "linux" else 1024**2)


def main() -> None:
    """Measure and print."""
    from bridge.testing.night import build_night  # heavy: a process that measures memory must not import it

    with multiprocessing.get_context("spawn").Pool(1) as fresh:
        memory = fresh.apply(peak_memory_mb)
    night = build_night(seed=1, rate=RATE)
    north = np.ascontiguousarray(night.sound[:, 0])
    result = {
        "rate": RATE,
        "one_deck_offline": offline(north, night.rig.decks[0]),
        "two_decks_live": live(night.sound, night.rig.decks),
        "one_deck_peak_memory_mb": round(memory, 1),
        "wanted": WANTED,
    }
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
