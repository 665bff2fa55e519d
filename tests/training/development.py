"""Build the development corpus: what the follower is measured on, and never trained on.

    python -m tests.training.development --packages FOLDER --grooves ../shared/data/grooves --out CORPUS

FOLDER as for `tests.training.bank`, with avldrums.lv2-soundfont in it; sonic-pi-samples must be installed. Drummers and
kits are those kept apart from training, the beds are CC0 recordings, and the tape here is another one than that of the
training scenes. Items are ITEM.flac (44.1 kHz, mono) and ITEM.beats.txt with manifest.json, in the format that
``tools/score_beats.py`` reads; ``hint`` is a tempo within 5 % of the truth.
"""

from __future__ import annotations

import argparse
import json
import logging
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from tests.training.maker import ITEM_S, RATE, Item, Maker, echoed

log = logging.getLogger(__name__)

LOOPS = (("loop_breakbeat", 4), ("loop_amen", 4), ("loop_amen_full", 16), ("loop_garzul", 16), ("loop_mika", 16),
         ("loop_perc1", 4), ("loop_compus", 16), ("loop_mehackit1", 4))  # fmt: skip
"""CC0 loops and their beats, by sample count. Source: sonic-pi-samples; beats inferred from round tempos."""


def steady(maker: Maker, kind: str, nominal: float, drift: float, limits: tuple[float, float]) -> Item:
    """Return an item of one tape, met while it runs or after a bed alone."""
    rng, item = maker.rng, Item(kind)
    begin = float(rng.choice([0.0, 0.0, 8.0, 15.0]))
    end = float(rng.choice([ITEM_S, ITEM_S, ITEM_S - 15]))
    if begin:
        item.segments.append({"type": "drone", "start": 0.0, "end": begin})
    maker.play(item, maker.tape(*limits), maker.speed(nominal, drift), begin, end, float(rng.uniform(0, 4)))
    if end < ITEM_S:
        item.segments.append({"type": "drone", "start": end, "end": ITEM_S})
    return maker.finished(item, float(rng.uniform(-24, -6)) if begin or end < ITEM_S or rng.random() < 0.6 else None)


def drones(maker: Maker, kind: str) -> Item:
    """Return an item without any beat."""
    item = Item(kind)
    for _ in range(int(maker.rng.integers(1, 4))):
        item.sound = item.sound + maker.bed(-20.0)
    t = np.arange(len(item.sound)) / RATE
    if maker.rng.random() < 0.5:
        item.sound *= 1 + 0.7 * np.sin(2 * np.pi * maker.rng.uniform(0.8, 5) * t)
    if maker.rng.random() < 0.3:
        item.sound += 0.03 * np.sin(2 * np.pi * 50 * t)
    item.segments.append({"type": "drone", "start": 0.0, "end": ITEM_S})
    return maker.finished(item, None)


def deck_change(maker: Maker, kind: str) -> Item:
    """Return an item in which one tape gives way to another, at another speed."""
    item, rng = Item(kind), maker.rng
    at, gap = float(rng.uniform(30, 42)), float(rng.choice([0.0, 1.5, 4.0]))
    speeds = rng.choice([0.5, 0.75, 1.0, 1.0, 1.15], 2)
    maker.play(item, maker.tape(75), maker.speed(float(speeds[0])), 0.0, at, float(rng.uniform(0, 4)))
    if gap:
        item.segments.append({"type": "gap", "start": at, "end": at + gap})
    maker.play(item, maker.tape(75), maker.speed(float(speeds[1])), at + gap, ITEM_S, 0.0)
    item.changes.append(at + gap)
    return maker.finished(item, float(rng.uniform(-26, -10)))


def speed_change(maker: Maker, kind: str, factor: float, over_s: float) -> Item:
    """Return an item whose tape changes speed by a factor within some seconds."""
    item, rng = Item(kind), maker.rng
    at = float(rng.uniform(28, 42))
    t = np.arange(int(ITEM_S * RATE)) / RATE
    start = 0.5 if factor == 2.0 else 1.0
    speed = maker.speed(start) * factor ** np.clip((t - at) / over_s, 0, 1)
    low, high = (70, 140) if factor == 2.0 else (85, 170) if factor == 0.5 else (60, 150)
    maker.play(item, maker.tape(low, high), speed, 0.0, ITEM_S, float(rng.uniform(0, 4)))
    if over_s < 1:
        whole = item.segments.pop()
        item.segments += [whole | {"end": at}, whole | {"start": at}]
        item.changes.append(at)
    return maker.finished(item, float(rng.uniform(-26, -10)))


def wet(maker: Maker, kind: str, level_db: float, feedback: float) -> Item:
    """Return a drifting tape with the echo of a pedal that follows its beat."""
    item, rng = Item(kind), maker.rng
    nominal = float(rng.choice([0.5, 1.0, 1.0]))
    maker.play(item, maker.tape(65, 140), maker.speed(nominal, 0.02), 0.0, ITEM_S, float(rng.uniform(0, 4)))
    beats = np.array(item.beats)
    period = np.interp(np.arange(0, ITEM_S * RATE, 1024) / RATE - 1.0, beats[1:], np.diff(beats))
    smooth = np.convolve(np.pad(period, 100, mode="edge"), np.ones(201) / 201, "valid")
    ratio = float(rng.choice([0.75, 0.75, 0.5, 1.0]))
    item.sound = echoed(item.sound, ratio * smooth, feedback, 10 ** (level_db / 20))
    return maker.finished(item, float(rng.uniform(-30, -12)))


def loop_item(maker: Maker, kind: str, name: str, beats: int) -> Item:
    """Return a real loop through the tape."""
    item, rng = Item(kind), maker.rng
    r = 0.5 if name == "loop_compus" else float(rng.choice([0.5, 0.75, 1.0, 1.06]))
    maker.play(item, maker.loop(name, beats), maker.speed(r, 0.01), 0.0, ITEM_S, float(rng.uniform(0, 4)))
    return maker.finished(item, float(rng.uniform(-26, -10)) if rng.random() < 0.6 else None)


def plan(maker: Maker) -> list[Callable[[], Item]]:
    """Return what makes each item of the corpus, in order."""

    def of(make: Callable[..., Item], count: int, *rest: object) -> list[Callable[[], Item]]:
        return [lambda: make(maker, *rest) for _ in range(count)]

    loops = [lambda name=name, beats=beats: loop_item(maker, "loops", name, beats) for name, beats in LOOPS]
    return [
        *of(steady, 10, "normal", 1.0, 0.0, (60, 150)),
        *of(steady, 10, "half", 0.5, 0.0, (75, 170)),
        *of(steady, 6, "double", 2.0, 0.0, (55, 90)),
        *of(steady, 8, "drift", 1.0, 0.05, (60, 140)),
        *of(drones, 8, "drones"),
        *of(deck_change, 8, "deck change"),
        *of(speed_change, 3, "speed switch", 2.0, 0.15),
        *of(speed_change, 3, "speed switch", 0.5, 0.15),
        *of(speed_change, 3, "varispeed", 1.2, 6.0),
        *of(speed_change, 3, "varispeed", 0.84, 3.0),
        *of(wet, 6, "echo 0 dB .5", 0.0, 0.5),
        *of(wet, 4, "echo +4 dB .75", 4.0, 0.75),
        *loops,
    ]


def main() -> None:
    """Build the corpus."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--packages", type=Path, required=True)
    parser.add_argument("--grooves", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument(
        "--trained",
        nargs="+",
        default=[],
        choices=["drummers", "kits"],
        help="take those that train, for once: to see what a net lacks for want of them",
    )
    arguments = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    maker = Maker(arguments.packages, arguments.grooves, arguments.seed, arguments.trained)
    arguments.out.mkdir(parents=True, exist_ok=True)
    manifest = []
    for number, make in enumerate(plan(maker)):
        item = make()
        name = f"{number:03}-{item.kind.replace(' ', '_').replace('+', '').replace('.', '')}"
        soundfile.write(arguments.out / f"{name}.flac", item.sound, RATE)
        beats = np.array(sorted(item.beats))
        np.savetxt(arguments.out / f"{name}.beats.txt", beats, fmt="%.4f")
        hint = 60 / float(np.median(np.diff(beats[:40]))) * float(maker.rng.uniform(0.95, 1.05)) if len(beats) else None
        entry = {
            "item": name,
            "kind": item.kind,
            "segments": item.segments,
            "change_points": item.changes,
            "hint": hint,
        }
        manifest.append(entry)
        log.info("%s %d beats", name, len(beats))
    (arguments.out / "manifest.json").write_text(json.dumps(manifest, indent=1))


if __name__ == "__main__":
    main()
