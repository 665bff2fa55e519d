"""How often a recording is found on its take: 50 simulated cases, and as many of other evenings; prints JSON.

``python -m tests.bench.align`` (``--cases 50 --seed 1``). Three nights of two decks are simulated, with exact loops,
horns and steam, drift and wow. Of each a recording is made as a stream would have it: both decks with faders ridden, an
echo that the dry taps do not have, a compressor, noise, up to three drop-outs, a clock up to 200 ppm off, another rate,
encoded as OGG Vorbis or MP3. Right is an answer that is within 0.1 s everywhere but 2 s around a drop-out.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import ndimage, signal

from bridge.review.align import Alignment, align
from bridge.review.patterns import ROWS_PER_S, Pattern, contrast, laid, pieces
from bridge.testing.beds import fog_signal, kettle
from bridge.testing.clips import drum_loop
from bridge.testing.tape import Move, Sound, TapeMachine

RATE = 12_000
NIGHT_S = 720.0
RIGHT_S, AROUND_GAP_S = 0.1, 2.0
SURE = 0.9


@dataclass(frozen=True, kw_only=True)
class Recorded:
    """A simulated recording and its truth: take time at recording time is known for every frame."""

    sound: NDArray[np.float32]
    rate: int
    take_s: NDArray[np.float64]  # for each hundredth of a second of the recording
    gaps_s: list[float]


def night(seed: int) -> NDArray[np.float64]:
    """Return the dry taps of two decks, shape (frames, 2)."""
    rng = np.random.default_rng(seed)
    decks = []
    for first, second in (("gravel-path", "fog"), ("kettle", "winch-room")):
        change_s = NIGHT_S * rng.uniform(0.35, 0.6)
        parts = [tape(name, length, rng) for name, length in ((first, change_s), (second, NIGHT_S - change_s))]
        decks.append(np.concatenate(parts)[: round(NIGHT_S * RATE)])
    frames = min(map(len, decks))
    return np.stack([deck[:frames] for deck in decks], axis=1)


def tape(name: str, length_s: float, rng: np.random.Generator) -> Sound:
    machine = TapeMachine(rate=RATE, wow=rng.uniform(0.001, 0.003), level=0.4)
    if name == "fog":
        recording = fog_signal(120.0, rng)
    elif name == "kettle":
        recording = kettle(60.0, rng)
    else:
        recording = drum_loop(name, name=name, tempo=rng.uniform(60.0, 100.0))
    drift = tuple((at, rng.uniform(-0.01, 0.01)) for at in np.arange(0.0, length_s, 60.0))
    stops = [Move(time_s=1.0, speed=1.0)]
    if rng.random() < 0.5 and length_s > 120:
        stops += [Move(time_s=length_s / 2, speed=0.0), Move(time_s=length_s / 2 + 9.0, speed=1.0)]
    speed = machine.speed(length_s, tuple(stops), rng, drift)
    return np.asarray(machine.play(recording, speed).sound + machine.hiss(speed, rng))


def record(taps: NDArray[np.float64], rng: np.random.Generator) -> Recorded:
    """Return what a stream kept of a night."""
    mix = mixed(taps, rng)
    length_s = rng.uniform(120.0, 600.0)
    begin_s = rng.uniform(0.0, NIGHT_S - length_s)
    gaps = int(rng.integers(0, 4))
    cuts = np.sort(rng.uniform(0.12, 0.88, gaps) * length_s)
    cuts = cuts[np.concatenate([[True], np.diff(cuts) > 40.0])] if gaps else cuts
    lost = rng.uniform(0.5, 20.0, len(cuts))
    ppm = rng.uniform(-200.0, 200.0)
    clock = np.arange(round(length_s * 100)) / 100
    take_s = begin_s + clock * (1.0 + 1e-6 * ppm)
    for cut, seconds in zip(cuts, lost, strict=True):
        take_s[clock >= cut] += seconds
    take_s = take_s[take_s < NIGHT_S - 1.0]
    rate = int(rng.choice([16_000, 22_050]))
    frames = np.arange(round(len(take_s) / 100 * rate)) / rate
    step = np.interp(frames, clock[: len(take_s)], take_s)
    inside = np.searchsorted(cuts, frames, side="right")
    straight = begin_s + frames * (1.0 + 1e-6 * ppm) + np.concatenate([[0.0], np.cumsum(lost)])[inside]
    step = np.where(np.abs(step - straight) > 1e-3, straight, step)  # no glide over a drop-out
    sound = ndimage.map_coordinates(mix, [step * RATE], order=3, mode="nearest")
    sound += rng.normal(0.0, 10 ** (rng.uniform(-70.0, -40.0) / 20), len(sound))
    return Recorded(sound=encoded(sound, rate, rng), rate=rate, take_s=take_s, gaps_s=list(cuts))


def mixed(taps: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return both decks, faders ridden, with an echo and a compressor, darkened or not."""
    knots = np.arange(0.0, NIGHT_S + 20.0, 20.0)
    at = np.arange(len(taps)) / RATE
    mix = np.zeros(len(taps))
    for deck in taps.T:
        mix += deck * 10 ** (np.interp(at, knots, rng.uniform(-18.0, 0.0, len(knots))) / 20)
    delay, feedback = round(rng.uniform(0.2, 0.8) * RATE), rng.uniform(0.2, 0.6)
    wet = mix.copy()
    for repeat in range(1, 6):
        wet[repeat * delay :] += feedback**repeat * mix[: -repeat * delay]
    envelope = np.sqrt(ndimage.uniform_filter1d(wet**2, RATE // 5)) + 1e-3
    wet /= envelope ** rng.uniform(0.0, 0.6)
    low = signal.butter(1, rng.uniform(2_000.0, 5_000.0), fs=RATE, output="sos")
    wet = signal.sosfilt(low, wet)
    return np.asarray(0.7 * wet / np.abs(wet).max())


def encoded(sound: NDArray[np.float64], rate: int, rng: np.random.Generator) -> NDArray[np.float32]:
    kind, part = [("OGG", "VORBIS"), ("MP3", "MPEG_LAYER_III")][int(rng.integers(2))]
    file = io.BytesIO()
    with soundfile.SoundFile(
        file, "w", rate, 1, part, format=kind, compression_level=float(rng.uniform(0.5, 0.95))
    ) as out:
        for begin in range(0, len(sound), rate):
            out.write(sound[begin : begin + rate].astype(np.float32))
    file.seek(0)
    return np.asarray(soundfile.read(file, dtype="float32")[0])


def pattern_of(sound: NDArray[np.floating], rate: int) -> Pattern:
    rows = int(len(sound) / rate * ROWS_PER_S)
    blocks = (sound[n : n + 10 * rate].astype(np.float32) for n in range(0, len(sound), 10 * rate))
    return contrast(laid(pieces(blocks, rate, 0.0), rows))


def is_right(found: Alignment, recorded: Recorded) -> bool:
    at = np.arange(len(recorded.take_s)) / 100
    far = np.all([np.abs(at - gap) > AROUND_GAP_S for gap in recorded.gaps_s], axis=0) if recorded.gaps_s else at >= 0
    errors = [abs(found.in_take(s) - recorded.take_s[round(s * 100)]) for s in at[far][::50]]
    return max(errors) < RIGHT_S


def measure(cases: int, seed: int) -> dict[str, Any]:
    """Align so many recordings with their own take and with another evening's, on all cores."""
    with ProcessPoolExecutor() as pool:
        nights = list(pool.map(night_and_pattern, [seed * 100 + n for n in range(3)]))
    with ProcessPoolExecutor(initializer=_NIGHTS.extend, initargs=(nights,)) as pool:
        rows = [row for pair in pool.map(case_rows, [seed] * cases, range(cases)) for row in pair]
    return summed(rows)


_NIGHTS: list[tuple[NDArray[np.float32], Pattern]] = []
"""In each process: the taps of each night, and its pattern."""


def night_and_pattern(seed: int) -> tuple[NDArray[np.float32], Pattern]:
    """Return the dry taps of a night, shape (frames, 2), and the pattern that a take of it has."""
    taps = night(seed)
    return taps.astype(np.float32), np.mean([pattern_of(tap, RATE) for tap in taps.T], axis=0)


def case_rows(seed: int, case: int) -> list[dict[str, Any]]:
    """Make one recording, and tell how it was aligned with its own take and with another evening's."""
    rng = np.random.default_rng([seed, case])
    mine = case % len(_NIGHTS)
    recorded = record(_NIGHTS[mine][0].astype(np.float64), rng)
    pattern = pattern_of(recorded.sound, recorded.rate)
    return [aligned(recorded, pattern, _NIGHTS[place % len(_NIGHTS)][1], place == mine) for place in (mine, mine + 1)]


def aligned(recorded: Recorded, pattern: Pattern, take: Pattern, own: bool) -> dict[str, Any]:
    """Align one pattern with one take's, and tell what was found."""
    began = time.perf_counter()
    found = align(take, pattern)
    return {
        "own": own,
        "sure": 0.0 if found is None else found.sure,
        "likeness": 0.0 if found is None else found.likeness,
        "right": bool(own and found is not None and is_right(found, recorded)),
        "gaps": len(recorded.gaps_s),
        "length_s": len(recorded.take_s) / 100,
        "seconds": time.perf_counter() - began,
        "found": None if found is None else [found.ppm, *[(s.begin_s, s.offset_s) for s in found.stretches]],
    }


def summed(rows: list[dict[str, Any]]) -> dict[str, Any]:
    own = [row for row in rows if row["own"]]
    sure = [row for row in rows if row["sure"] >= SURE]
    return {
        "cases": len(own),
        "called_sure": sum(row["sure"] >= SURE for row in own),
        "right_of_called_sure": sum(row["right"] for row in sure) / max(1, len(sure)),
        "right": sum(row["right"] for row in own) / len(own),
        "other_evenings_called_sure": sum(row["sure"] >= SURE for row in rows if not row["own"]),
        "most_sure_of_another_evening": max(row["sure"] for row in rows if not row["own"]),
        "cpu_s": cpu_s(),
        "rows": rows,
    }


def cpu_s() -> float:
    """Return the processor time of this process and of those that it waited for."""
    used = os.times()
    return round(used.user + used.system + used.children_user + used.children_system, 1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", action="store_true", help="tell every case")
    asked = parser.parse_args()
    found = measure(asked.cases, asked.seed)
    if not asked.rows:
        del found["rows"]
    print(json.dumps(found, indent=1, default=float))


if __name__ == "__main__":
    main()
