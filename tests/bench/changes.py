"""What the hand does to a deck, told from its sound: F-measure within 3 s and time to notice, by kind. Prints JSON.

``python -m tests.bench.changes [--seeds N]``. Each seed is 84 s on the tape simulator: a tape of drums is started, its
varispeed is moved by 6 to 14 %, its speed is switched, it is stopped; another tape is started, and gives way to a third
without a rest. Two hearings of it: the deck's own sound, and the mixer's output alone, to which the other deck adds a
bed from end to end. A varispeed move has no fact of its own: told is how long the follower's tempo takes from the
move's end to within 2 % of the tape's (octaves aside), and how often the move is taken for something else.

Faders are no decks: a mix of drums and a bed whose fader goes down and up again, over 0.3 to 8 s each way, by 30 dB
(the whole mix, then the drums alone), and the drums' fader shut and opened. Told is how many are taken for something.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from dataclasses import replace
from typing import Any

import mir_eval
import numpy as np

from bridge.rig import Deck
from bridge.testing.beds import fog_signal
from bridge.testing.clips import drum_loop
from bridge.testing.tape import Move, TapeMachine
from tests.bench.negatives import DRUMS_TEMPO
from tests.follow.sounds import Heard, hear

RATE = 24_000
LENGTH_S = 84.0
WITHIN_S = 3.0
HEARING_S = 2.0  # the hearing itself begins: what is told of that is no change
NEAR = 0.02
DECK = Deck(name="north", channels=(1,), tempo_range=(40.0, 130.0))
MIXED = replace(DECK, mixed=True)
DOWN_S, UP_S, FADED_S = 15.0, 31.0, 48.0
FADERS = {"the mix by 30 dB": (-30.0, True), "one deck by 30 dB": (-30.0, False), "one deck shut": (-90.0, False)}
KINDS = ("started", "stopped", "another tape", "speed switch")
CLIPS = ("gravel-path", "winch-room")

Truth = list[tuple[str, float]]


def tape(
    rng: np.random.Generator, clip: str, tempo: float, moves: tuple[Move, ...], drift: tuple[tuple[float, float], ...]
) -> np.ndarray:
    """Return a tape over the whole length, with hiss while it moves."""
    machine = TapeMachine(rate=RATE, hiss_db=rng.uniform(-66, -56))
    speed = machine.speed(LENGTH_S, moves, rng, drift)
    return machine.play(drum_loop(clip, name=clip, tempo=tempo), speed).sound + machine.hiss(speed, rng)


def scene(seed: int) -> tuple[np.ndarray, np.ndarray, Truth, tuple[float, float]]:
    """Return a deck's sound, the mix with the other deck, what truly happened, and the varispeed's end and tempo."""
    rng = np.random.default_rng(seed)
    first, second = (CLIPS[(seed + n) % 2] for n in (0, 1))
    start, ride, switch, stop, again, change = np.array([6, 20, 35, 50, 53, 68]) + rng.uniform(-1, 1, 6)
    slow, tempo = bool(rng.random() < 0.5), rng.uniform(88, 112)
    begin, after = (0.5, 1.0) if slow else (1.0, 0.5)
    way, over = rng.choice([-1, 1]) * rng.uniform(0.06, 0.14), rng.uniform(2, 5)
    moves = (
        Move(time_s=start, speed=begin),
        Move(time_s=switch, speed=after, glide_s=rng.uniform(0.1, 0.5)),
        Move(time_s=stop, speed=0.0),
    )
    north = tape(rng, first, tempo, moves, ((ride, 0.0), (ride + over, way)))
    another = tempo * float(rng.choice([0.72, 0.8, 1.25, 1.38])) * after
    moves = (Move(time_s=again, speed=1.0), Move(time_s=change, speed=0.0, glide_s=0.05))
    north += tape(rng, second, another, moves, ())
    third = another * float(rng.choice([0.85, 1.18]))
    north += tape(rng, first, third, (Move(time_s=change, speed=1.0, glide_s=0.05),), ())
    bed = fog_signal(LENGTH_S, rng)
    mix = north + 0.6 * TapeMachine(rate=RATE).play(bed, np.ones(len(north))).sound
    truth = [
        ("started", start),
        ("speed switch", switch),
        ("stopped", stop),
        ("started", again),
        ("another tape", again),
        ("another tape", change),
    ]
    return north, mix, truth, (ride + over, tempo * begin * (1 + way))


def faded(seed: int, to_db: float, of_all: bool) -> tuple[np.ndarray, tuple[float, float]]:
    """Return drums and a bed while a fader goes down and up again, and how long each way takes in seconds."""
    rng = np.random.default_rng([seed, 7])
    down, up = np.exp(rng.uniform(np.log(0.3), np.log(8), 2))
    time_s = np.arange(round(FADED_S * RATE)) / RATE
    machine = TapeMachine(rate=RATE, hiss_db=rng.uniform(-66, -56))
    speed = machine.speed(FADED_S, (Move(time_s=0.01, speed=1.0),), rng)
    clip, tempo = CLIPS[seed % 2], DRUMS_TEMPO * rng.uniform(0.7, 1.3)
    drums = machine.play(drum_loop(clip, name=clip, tempo=tempo), speed).sound + machine.hiss(speed, rng)
    bed = 0.6 * TapeMachine(rate=RATE).play(fog_signal(FADED_S, rng), np.ones(len(speed))).sound
    curve = np.interp(time_s, [DOWN_S, DOWN_S + down, UP_S, UP_S + up], [0.0, to_db, to_db, 0.0])
    gain = 10 ** (curve / 20)
    quiet = rng.normal(0, 10 ** (-75 / 20), len(speed))
    return gain * (drums + bed) + quiet if of_all else gain * drums + bed, (float(down), float(up))


def faders(seeds: int) -> dict[str, dict[str, Any]]:
    """Return by kind of fader how many moves there were, what was told of them, and the longest of which it was."""
    out = {}
    for name, (to_db, of_all) in FADERS.items():
        told, longest = 0, 0.0
        for seed in range(seeds):
            sound, lengths = faded(seed, to_db, of_all)
            at = [
                c.frame / RATE
                for c in hear(sound.astype(np.float32), RATE, MIXED).changes
                if c.frame > HEARING_S * RATE
            ]
            told += len(at)
            for begin, length in zip((DOWN_S, UP_S), lengths, strict=True):
                if any(begin - 1 <= one <= begin + length + 3 for one in at):
                    longest = max(longest, length)
        out[name] = {"moves": 2 * seeds, "taken_for_something": told, "longest_s": round(longest, 2) or None}
    return out


def matched(truth: Truth, heard: Heard) -> dict[str, dict[str, Any]]:
    """Return by kind how many truly happened and were told, and after how long each that was told rightly was known."""
    out = {}
    for kind in KINDS:
        true = np.array([at for what, at in truth if what == kind])
        told = [change for change in heard.changes if change.kind == kind and change.frame > HEARING_S * RATE]
        at = np.array([change.frame / RATE for change in told])
        pairs = mir_eval.util.match_events(true, at, WITHIN_S) if len(true) and len(at) else []
        late = [told[b].known / RATE - true[a] for a, b in pairs]
        out[kind] = {"true": len(true), "told": len(told), "late": late}
    return out


def ridden(heard: Heard, end_s: float, tempo: float) -> tuple[float, int]:
    """Return how long after the varispeed move the tempo was near (infinity: not in 12 s), and what else was told."""
    for beat in heard.beats:
        octave = round(np.log2(beat.tempo / tempo))
        if end_s <= beat.known / RATE < end_s + 12 and abs(beat.tempo / tempo / 2**octave - 1) <= NEAR:
            return beat.known / RATE - end_s, others(heard, end_s)
    return float("inf"), others(heard, end_s)


def others(heard: Heard, end_s: float) -> int:
    return sum(bool(end_s - 6 < change.frame / RATE < end_s + 9) for change in heard.changes)


def summed(rows: list[dict[str, dict[str, Any]]]) -> dict[str, dict[str, Any]]:
    """Return precision, recall, F-measure and time to notice by kind, over all seeds."""
    out = {}
    for kind in KINDS:
        true, told = (sum(row[kind][name] for row in rows) for name in ("true", "told"))
        late = [one for row in rows for one in row[kind]["late"]]
        out[kind] = {
            "true": true,
            "told": told,
            "right": len(late),
            "f_measure": round(2 * len(late) / (true + told), 3) if true + told else None,
            "noticed_after_s": None if not late else round(float(np.median(late)), 2),
            "noticed_after_s_p90": None if not late else round(float(np.percentile(late, 90)), 2),
        }
    return out


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seeds", type=int, default=20, help="sets (default: 20)")
    seeds = options.parse_args().seeds
    rows, rides = defaultdict(list), defaultdict(list)
    for seed in range(seeds):
        north, mix, truth, ride = scene(seed)
        for name, sound, deck in (("deck", north, DECK), ("mixer output", mix, MIXED)):
            heard = hear(sound.astype(np.float32), RATE, deck)
            rows[name].append(matched(truth, heard))
            rides[name].append(ridden(heard, *ride))
    result: dict[str, Any] = {"seeds": seeds, "within_s": WITHIN_S}
    for name in rows:
        after = np.array([one for one, _ in rides[name]])
        near = after[np.isfinite(after)]
        result[name] = summed(rows[name]) | {
            "varispeed move": {
                "caught": f"{len(near)} of {len(after)}",
                "caught_after_s": None if not len(near) else round(float(np.median(near)), 2),
                "taken_for_something_else": sum(other for _, other in rides[name]),
            }
        }
    result["mixer output, a fader"] = faders(seeds)
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
