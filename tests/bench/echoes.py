"""What the echoes of the very delay that is clocked do to the follower: prints JSON.

``python -m tests.bench.echoes [--seeds N]``. A tape of drums drifts by 3 % in 60 s; a pedal takes its time from the
bridge's clock, and its output comes back to the bridge's input beside the deck. Scored against the dry tape's beats
with mir_eval (CMLt after 5 s; an item fails below 0.5). "alone" stops the tape after 30 s, so that only echoes are
left: wanted is `holding` within 10 s, and a tempo that moves by less than 0.5 % meanwhile. The worst of all is printed.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from fractions import Fraction
from typing import Any

import mir_eval
import numpy as np

from bridge.engine import Engine
from bridge.events import BeatPlaced, FollowerChanged, PedalTold
from bridge.rig import Deck, Pedal, Rig, SoundInput
from bridge.testing.clips import drum_loop
from bridge.testing.echo import EchoLoop
from bridge.testing.tape import Move, TapeMachine
from bridge.weights import learned

RATE = 24_000
BLOCK = 480
LENGTH_S = 60.0
ALONE_S = 30.0
ALONE = [(0.0, 0.5), (0.0, 0.75), (4.0, 0.75), (0.0, 0.9)]
MIXES = [(-np.inf, 0.5), *((level, feedback) for feedback in (0.5, 0.75) for level in (-6.0, 0.0, 4.0))]
DELAYS = (Fraction(1), Fraction(3, 4), Fraction(1, 2))  # in beats, seed by seed
ECHO = Pedal(name="long echo", port="Pedals A", listens_to="north", tempo=(20, 400), delay_ms=(20, 3000))
RIG = Rig(
    path="bench",
    sound=SoundInput(),
    decks=(Deck(name="north", channels=(1,), tempo_range=(50, 130)),),
    pedals=(ECHO,),
)


def drifting_tape(seed: int, stop_s: float | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Return a minute of drums that drift by 3 %, and where their beats fell in seconds."""
    rng = np.random.default_rng(seed)
    clip, tempo = ("gravel-path", "winch-room")[seed % 2], float(rng.uniform(65, 115))
    moves = [Move(time_s=0.2, speed=1.0)] + ([] if stop_s is None else [Move(time_s=stop_s, speed=0.0)])
    machine = TapeMachine(rate=RATE)
    speed = machine.speed(LENGTH_S, tuple(moves), rng, drift=((0.0, 0.015), (LENGTH_S, -0.015)))
    played = machine.play(drum_loop(clip, name=clip, tempo=tempo), speed)
    return played.sound + machine.hiss(speed, rng), played.beats_s()


def heard(seed: int, level_db: float, feedback: float, stop_s: float | None = None) -> tuple[list[Any], np.ndarray]:
    """Return the facts of one closed loop, and the true beats."""
    sound, beats = drifting_tape(seed, stop_s)
    delay = DELAYS[seed % 3]
    rig = replace(RIG, pedals=(replace(ECHO, division=delay),))
    handle = Engine(rig, RATE, learned()).handle
    loop = EchoLoop(rig, RATE, handle, feedback=feedback, level_db=level_db, beats=float(delay))
    return [fact for at in range(0, len(sound), BLOCK) for fact in loop.play(sound[at : at + BLOCK])], beats


def scored(seed: int, level_db: float, feedback: float) -> float:
    """Return CMLt of one closed loop after its first five seconds."""
    facts, beats = heard(seed, level_db, feedback)
    placed = np.array([fact.at for fact in facts if isinstance(fact, BeatPlaced)])
    return float(mir_eval.beat.continuity(beats[beats > 5], placed[placed > 5])[1]) if (placed > 5).sum() > 1 else 0.0


def alone(seed: int, level_db: float, feedback: float) -> dict[str, float]:
    """Return what happens when the tape stops and only its echoes go on: when following ended for good, and the most
    that the pedal was told apart from what it had.
    """
    facts, _ = heard(seed, level_db, feedback, ALONE_S)
    moves = [fact for fact in facts if isinstance(fact, FollowerChanged)]
    left = max((fact.at for fact in moves if fact.was == "following"), default=ALONE_S)
    left = np.inf if moves and moves[-1].now == "following" else max(left, ALONE_S)
    told = [fact.tempo for fact in facts if isinstance(fact, PedalTold) and fact.at > ALONE_S]
    before = [fact.tempo for fact in facts if isinstance(fact, PedalTold) and fact.at <= ALONE_S]
    moved = max((abs(tempo / before[-1] - 1) for tempo in told), default=0.0) if before else float("nan")
    return {"left_following_after_s": left - ALONE_S, "moved": moved}


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seeds", type=int, default=12, help="closed loops a mix (default: 12)")
    seeds = range(options.parse_args().seeds)
    with ProcessPoolExecutor() as pool:
        closed = {mix: [pool.submit(scored, seed, *mix) for seed in seeds] for mix in MIXES}
        last = [pool.submit(alone, seed, *mix) for seed in seeds for mix in ALONE]
        cmlt = {mix: np.array([one.result() for one in loops]) for mix, loops in closed.items()}
        ends = [one.result() for one in last]
    mixes = {
        "dry" if np.isinf(level) else f"{level:+g} dB, feedback {feedback:g}": {
            "cmlt": round(float(np.mean(found)), 3),
            "failed": round(float(np.mean(found < 0.5)), 3),
        }
        for (level, feedback), found in cmlt.items()
    }
    result = {
        "seeds": len(seeds),
        "mixes": mixes,
        "alone": {key: round(float(np.max([end[key] for end in ends])), 4) for key in ends[0]},
        "wanted": {"failed at 0 dB, 0.5 beyond dry": 0.10, "left_following_after_s": 10, "moved": 0.005},
    }
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
