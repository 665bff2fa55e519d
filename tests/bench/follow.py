"""How fast one deck is followed, and what two decks cost live: prints JSON.

``python -m tests.bench.follow --corpus build/development`` follows and scores the development set instead, with every
follower, with and without a told tempo (`tests.bench.corpus`): a table goes to standard error, the JSON to standard
output. ``--items 40`` takes that many, evenly over the kinds, ``--only net`` one follower, ``--jobs 1`` one item
at a time, as processor times want it, and Ctrl-C ends with those that were done.

``python -m tests.bench.follow``: the sound is the built-in set's first deck at 48 kHz: silence, two tapes, a speed
switch, a bed. "live" plays two decks and two pedals with the real processes, and counts the processor time of both.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import multiprocessing
import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import numpy as np
import soundfile

from bridge import sender
from bridge.decks.transport import Transport
from bridge.edge.child import Listen
from bridge.edge.host_clock import now
from bridge.edge.link import Link
from bridge.follow.features import HOPS_PER_S, Features
from bridge.follow.follower import Follower
from bridge.rig import Deck, FollowerKind, Rig, SoundInput
from bridge.send.plan import SendPlan
from bridge.testing.ports import ListPort
from bridge.weights import learned
from tests.bench.corpus import follow_corpus

RATE = 48_000
BLOCK = 256
LIVE_BLOCK = SoundInput().block
BEAT_S, WAITED_S = 30.0, 6.0
SETS_S = (5.0, 25.0)
WANTED = {"times_real_time": 60, "live_cpu_share": 0.15}
SCORE_BEATS = Path("../shared/tools/score_beats.py")


class Ear:
    """One deck's rooms, each with the nanoseconds that it took per hop."""

    def __init__(self, rate: int, deck: Deck) -> None:
        self._features, self._follower, self._transport = (
            Features(rate),
            Follower(deck, rate, learned()),
            Transport(deck, rate),
        )
        self.spent_ns: dict[str, list[int]] = {"features": [], "follower": [], "transport": []}
        self._waiting_ns = 0

    def hear(self, block: np.ndarray) -> None:
        hops, spent = timed(lambda: self._features.hear(block))
        self._waiting_ns += spent
        for hop in hops:
            self.spent_ns["features"].append(self._waiting_ns // len(hops))
            _, spent = timed(lambda hop=hop: self._follower.hear(hop))
            self.spent_ns["follower"].append(spent)
            follower = self._follower
            said = follower.state, follower.tempo, follower.octave.off
            _, spent = timed(lambda hop=hop, said=said: self._transport.hear(hop, *said))
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


def waking(sound: np.ndarray, deck: Deck) -> dict[str, float]:
    """Return the processor time of a hop in us, by how many live blocks are waited for at a time.

    Each is the median of three, in turns: other programs disturb them all.
    """
    turns = [[after_waits(sound, deck, blocks) for blocks in (0, 1, 2)] for _ in range(3)]
    return dict(zip(("none", "one", "two"), np.median(turns, axis=0).tolist(), strict=True))


def after_waits(sound: np.ndarray, deck: Deck, blocks: int) -> float:
    """Hear WAITED_S in real time, that many blocks at a time, once the beat is followed; 0 for all at once."""
    ear, begin = Ear(RATE, deck), round(BEAT_S * RATE)
    ear.hear(sound[:begin])
    spent, started = 0, now()
    places = range(begin, begin + round(WAITED_S * RATE), LIVE_BLOCK)
    for number, at in enumerate(places):
        if blocks and number % blocks == 0:
            time.sleep(max(0.0, started + (number + blocks) * LIVE_BLOCK / RATE - now()))
        before = time.thread_time_ns()
        ear.hear(sound[at : at + LIVE_BLOCK])
        spent += time.thread_time_ns() - before
    return round(spent / 1e3 / (len(places) * LIVE_BLOCK / RATE * HOPS_PER_S), 1)


def cpu_of_a_set(folder: Path, rig: Rig, seconds: float) -> float:
    """Play a set of so many seconds live, and return the seconds of processor that its two processes took."""
    listener = Listen("tests.bench.follow:listen_silently", (rig, folder, (folder / "night.wav", now())))
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = time.process_time()
    sender.run(SendPlan.of(rig), listener, for_s=seconds, open_port=lambda name: ListPort(now, name))
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    children = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.process_time() - cpu + children


def listen_silently(link: Link, start: int, rig: Rig, folder: Path, tape: tuple[Path, float]) -> None:
    """Run the real listener without its terminal."""
    from bridge.listener import listen  # the sender's process imports this module too

    with Path(os.devnull).open("w") as nowhere, contextlib.redirect_stdout(nowhere):
        listen(link, start, rig, Path(tempfile.mkdtemp(dir=folder)), "bench", tape)


def live(sound: np.ndarray, rig: Rig) -> dict[str, Any]:
    """Play two decks and two pedals live: sender, listener, engine, journal, kept sound.

    Starting up is taken out: it is the difference of a long and a short set.
    """
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        os.environ["TAPEBRIDGE_RUNTIME"] = str(folder / "runtime")
        soundfile.write(folder / "night.wav", sound[20 * RATE :], RATE, subtype="FLOAT")
        cpu = [cpu_of_a_set(folder, rig, seconds) for seconds in SETS_S]
    return {"cpu_share": round((cpu[1] - cpu[0]) / (SETS_S[1] - SETS_S[0]), 4), "start_cpu_s": round(cpu[0], 2)}


def peak_memory_mb() -> float:
    """Follow a minute of hiss in this process, and return the most memory that it held. For a fresh process."""
    ear = Ear(RATE, Deck(name="north", channels=(1,)))
    rng = np.random.default_rng(1)
    for _ in range(60):
        ear.hear(rng.normal(0, 0.1, RATE).astype(np.float32))
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform == "linux" else 1024**2)


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description="How well and how fast a deck is followed.")
    options.add_argument("--corpus", type=Path, metavar="DIR", help="Follow and score this corpus instead.")
    options.add_argument("--items", type=int, metavar="N", help="So many items of it, evenly over the kinds.")
    options.add_argument("--only", choices=get_args(FollowerKind), help="This follower alone.")
    options.add_argument("--jobs", type=int, default=os.cpu_count(), metavar="N", help="So many at once.")
    options.add_argument(
        "--score-beats", type=Path, default=SCORE_BEATS, metavar="PATH", help=f"Default {SCORE_BEATS}."
    )
    given = options.parse_args()
    if given.corpus is None:
        print(json.dumps(of_the_built_in_set(), indent=2))
        return
    with multiprocessing.get_context("spawn").Pool(1) as fresh:
        memory = fresh.apply(peak_memory_mb)
    scored = follow_corpus(given.corpus, given.items, given.score_beats, given.only, given.jobs)
    print(json.dumps(scored | {"one_deck_peak_memory_mb": round(memory, 1)}, indent=2))


def of_the_built_in_set() -> dict[str, Any]:
    """Measure speed and cost on the first deck of the built-in set."""
    from bridge.testing.night import build_night  # heavy: a process that measures memory must not import it

    with multiprocessing.get_context("spawn").Pool(1) as fresh:
        memory = fresh.apply(peak_memory_mb)
    night = build_night(seed=1, rate=RATE)
    north = np.ascontiguousarray(night.sound[:, 0])
    return {
        "rate": RATE,
        "one_deck_offline": offline(north, night.rig.decks[0]),
        "us_per_hop_by_blocks_waited_for": waking(north, night.rig.decks[0]),
        "two_decks_and_two_pedals_live": live(night.sound, night.rig),
        "one_deck_peak_memory_mb": round(memory, 1),
        "wanted": WANTED,
    }


if __name__ == "__main__":
    main()
