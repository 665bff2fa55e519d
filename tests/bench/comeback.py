"""A beat that comes back, and a hint that is wrong: how soon the follower is right. Prints JSON.

``python -m tests.bench.comeback [--seeds N]``. "Comeback": drums on a tape go for 4 to 12 s, steam stays, and they come
back in time with a tape that has drifted by up to 5 % meanwhile; told is how many beats of the tape pass until one is
placed within a fifth of a beat of it, and three of the three after it are, too; wanted are two. "Wrong hint": a tempo
20 % beside the tape's is told before the tape starts; told is how long until the tempo is within 2 % of the tape's,
octaves aside, and stays there; wanted are 20 s. Once more without a hint, for comparison.
"""

from __future__ import annotations

import argparse
import json
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.follow.beat_line import Beat
from bridge.follow.features import Features
from bridge.follow.follower import Follower
from bridge.follow.prior import octave_gap
from bridge.rig import Deck
from bridge.testing.beds import kettle
from bridge.testing.clips import drum_loop
from bridge.testing.tape import Move, TapeMachine
from bridge.weights import learned

RATE = 24_000
DECK = Deck(name="north", channels=(1,), tempo_range=(50.0, 130.0))
CLIPS = ("gravel-path", "winch-room")
BEFORE_S, AFTER_S, HINT_S = 20.0, 14.0, 30.0
NEAR, BESIDE, IN_A_ROW = 0.02, 0.2, 4
WANTED = {"comeback_beats": 2, "wrong_hint_s": 20}

Numbers = NDArray[np.float64]


def placed(sound: Numbers, hint: float | None = None) -> list[Beat]:
    """Return the beats that a fresh follower places."""
    features, follower, beats = Features(RATE), Follower(DECK, RATE, learned()), []
    if hint is not None:
        follower.expect(hint)
    for hop in features.hear(sound.astype(np.float32)):
        beats += [one for one in follower.hear(hop) if isinstance(one, Beat)]
    return beats


def comeback(seed: int) -> float:
    """Return how many beats pass until the beat that came back is caught; infinity for not before the end."""
    rng = np.random.default_rng(seed)
    back = BEFORE_S + rng.uniform(4, 12)
    length, machine = back + AFTER_S, TapeMachine(rate=RATE)
    drift = ((BEFORE_S, 0.0), (back, rng.uniform(-0.05, 0.05)))
    speed = machine.speed(length, (Move(time_s=0.5, speed=1.0),), rng, drift)
    clip = CLIPS[seed % 2]
    drums = machine.play(drum_loop(clip, name=clip, tempo=rng.uniform(65, 110)), speed)
    time_s = np.arange(len(speed)) / RATE
    fader = np.clip((BEFORE_S + 0.5 - time_s) / 1.0, 0, 1) + np.clip((time_s - back) / 0.05, 0, 1)
    sound = fader * drums.sound + 0.15 * machine.play(kettle(20.0, rng), speed).sound + machine.hiss(speed, rng)
    return beats_until_caught(placed(sound), drums.beats_s(), back)


def beats_until_caught(beats: list[Beat], true: Numbers, back: float) -> float:
    """Return how many true beats since ``back`` had passed, the caught one included, when the first right one fell."""
    at = np.array([beat.frame / RATE for beat in beats if beat.frame > (back - 0.1) * RATE])
    nearest = np.clip(np.searchsorted(true, at), 1, len(true) - 1)
    gap = true[nearest] - true[nearest - 1]
    off = np.minimum(np.abs(at - true[nearest - 1]), np.abs(at - true[nearest])) / gap
    good = off <= BESIDE
    for first in range(len(good) - IN_A_ROW + 1):
        if good[first : first + IN_A_ROW].all():
            return float(np.sum((true >= back - 0.05) & (true <= at[first] + BESIDE * gap[first])))
    return float("inf")


def hinted(seed: int, wrong: bool) -> float:
    """Return after how many seconds of the tape the tempo is right and stays so."""
    rng = np.random.default_rng([seed, 1])
    clip, tempo, machine = CLIPS[seed % 2], rng.uniform(65, 105), TapeMachine(rate=RATE)
    speed = machine.speed(HINT_S, (Move(time_s=0.5, speed=1.0),), rng)
    sound = machine.play(drum_loop(clip, name=clip, tempo=tempo), speed).sound + machine.hiss(speed, rng)
    beats = placed(sound, tempo * (1.2 if rng.random() < 0.5 else 1 / 1.2) if wrong else None)
    bad = [abs(octave_gap(beat.tempo, tempo)) > np.log2(1 + NEAR) for beat in beats]
    first = max((n + 1 for n, one in enumerate(bad) if one), default=0)
    return beats[first].known / RATE - 0.5 if first < len(beats) else float("inf")


def told(values: list[float], limit: float) -> dict[str, Any]:
    """Return median, 90th percentile and the share within a limit; null where that is never."""
    numbers = np.array(values)

    def at(share: float) -> float | None:
        value = float(np.quantile(numbers, share, method="higher"))
        return round(value, 2) if np.isfinite(value) else None

    return {"median": at(0.5), "p90": at(0.9), "within": round(float(np.mean(numbers <= limit)), 3)}


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seeds", type=int, default=20, help="tapes (default: 20)")
    seeds = range(options.parse_args().seeds)
    result = {
        "seeds": len(seeds),
        "comeback_beats": told([comeback(seed) for seed in seeds], WANTED["comeback_beats"]),
        "wrong_hint_s": told([hinted(seed, True) for seed in seeds], WANTED["wrong_hint_s"]),
        "no_hint_s": told([hinted(seed, False) for seed in seeds], WANTED["wrong_hint_s"]),
        "wanted": WANTED,
    }
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
