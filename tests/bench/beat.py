"""How near the ticks of a pedal that needs the beat fall to the tape's beats: prints JSON.

``python -m tests.bench.beat [--seeds N] [--true-beats]``. The night of the rehearsal through the real engine and
schedule, with one pedal that needs the beat; every 24th tick is a beat of it. For each change of the tape that leads
to a beat: the error from 8 beats after the pedal was told on, the share of beats within 20 ms, the deviation of the
clock from what it was told, and beside them the error of the beats that the follower placed, which no clock can be
better than. With ``--true-beats`` the follower is left out: the policy hears the tape's own beats and tempo, so that
what is left is the sender's error.
"""

from __future__ import annotations

import argparse
import dataclasses
import json

import numpy as np

from bridge.engine import TELL_EVERY_S, Engine
from bridge.events import BeatPlaced, PedalTold, SoundHeard
from bridge.rig import Pedal
from bridge.send.plan import SendPlan
from bridge.send.policies import policies_of
from bridge.send.schedule import Schedule
from bridge.testing.night import build_night
from bridge.testing.truth import DeckTruth
from bridge.weights import learned

BLOCK = 480
BEATS = 8
NEAR_MS = 20.0
STUTTER = Pedal(name="stutter", port="Pedals A", listens_to="north", needs="beat")


def played(seed: int) -> tuple[DeckTruth, np.ndarray, list[PedalTold], np.ndarray]:
    """Return a night's truth, its ticks, what the pedal was told, and the beats that were placed."""
    night = build_night(seed)
    rig = dataclasses.replace(night.rig, pedals=(STUTTER,))
    engine, schedule = Engine(rig, night.rate, learned()), Schedule(SendPlan.of(rig), 0.0)
    ticks, told, placed = [], [], []
    for frame in range(0, len(night.sound), BLOCK):
        samples = night.sound[frame : frame + BLOCK]
        end_at = (frame + len(samples)) / night.rate
        while schedule.next_due() <= end_at:
            ticks += [message.at for message in schedule.due(schedule.next_due()).messages]
        for fact in engine.handle(SoundHeard(frame=frame, at=frame / night.rate, samples=samples)):
            if isinstance(fact, PedalTold):
                told.append(fact)
                schedule.take(fact, end_at)
            elif isinstance(fact, BeatPlaced) and fact.deck == "north":
                placed.append(fact.at)
    return night.truth.decks["north"], np.array(ticks), told, np.array(placed)


def told_the_truth(seed: int) -> tuple[DeckTruth, np.ndarray, list[PedalTold], np.ndarray]:
    """Return the same, with the tape's own beats in the place of the follower's, and its tempo over two of them."""
    night = build_night(seed)
    truth, [policy] = night.truth.decks["north"], policies_of((STUTTER,))
    schedule = Schedule(SendPlan.of(dataclasses.replace(night.rig, pedals=(STUTTER,))), 0.0)
    beats, changes = truth.beats_s(), [change.time_s for change in truth.changes]
    ticks, told, heard, stepped = [], [], 0, None
    for now in np.arange(0.0, len(night.sound) / night.rate, TELL_EVERY_S).tolist():
        while schedule.next_due() <= now:
            ticks += [message.at for message in schedule.due(schedule.next_due()).messages]
        while changes and changes[0] <= now:
            stepped = changes.pop(0)
        while heard < len(beats) and beats[heard] <= now:
            policy.beat(float(beats[heard]), heard)
            heard += 1
        last = beats[max(0, heard - 3) : heard]
        if len(last) == 3 and last[0] >= (stepped or 0.0) and now - last[2] < 1.5 * (last[2] - last[1]):
            for fact in policy.hear(now, 120.0 / float(last[2] - last[0]), stepped_at=stepped):
                if isinstance(fact, PedalTold):
                    told.append(fact)
                    schedule.take(fact, now)
            stepped = None
    return truth, np.array(ticks), told, beats


def errors_ms(at: np.ndarray, beats: np.ndarray) -> np.ndarray:
    """Return how far each time is from the beat nearest to it, in ms; late is above 0."""
    after = np.clip(np.searchsorted(beats, at), 1, len(beats) - 1)
    nearest = np.where(at - beats[after - 1] < beats[after] - at, beats[after - 1], beats[after])
    return 1000.0 * (at - nearest)


def measured(seed: int, true_beats: bool) -> list[dict[str, object]]:
    """Return one row a change that leads to a beat."""
    truth, ticks, told, placed = told_the_truth(seed) if true_beats else played(seed)
    beats, rows = truth.beats_s(), []
    ends = [*(change.time_s for change in truth.changes[1:]), truth.stretches[-1].end_s]
    for change, end_s in zip(truth.changes, ends, strict=True):
        after = [fact for fact in told if fact.at > change.time_s and fact.why in ("begin", "step", "phase")]
        if change.tempo_after is None or not after:
            continue
        begin_s = after[0].at + BEATS * 60 / change.tempo_after
        own = [fact.at for fact in told]
        inside = ticks[(ticks > begin_s) & (ticks < end_s)]
        tempo = np.array([told[n - 1].tempo for n in np.searchsorted(own, inside)])
        deviation = np.abs((2.5 / tempo[:-1]) / np.diff(inside) - 1.0)
        pedal = ticks[::24]
        error = errors_ms(pedal[(pedal > begin_s) & (pedal < end_s)], beats)
        follower = errors_ms(placed[(placed > begin_s) & (placed < end_s)], beats)
        rows.append(
            {
                "seed": seed,
                "change": change.kind,
                "told_after_s": round(after[0].at - change.time_s, 2),
                "beats": len(error),
                "median_ms": round(float(np.median(np.abs(error))), 1),
                "worst_ms": round(float(np.max(np.abs(error))), 1),
                "within_20_ms": round(float(np.mean(np.abs(error) <= NEAR_MS)), 3),
                "follower_median_ms": round(float(np.median(np.abs(follower))), 1),
                "follower_worst_ms": round(float(np.max(np.abs(follower))), 1),
                "deviation_p99_percent": round(100 * float(np.quantile(deviation, 0.99)), 2),
            }
        )
    return rows


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seeds", type=int, default=3, help="nights (default: 3)")
    options.add_argument("--true-beats", action="store_true", help="leave the follower out")
    chosen = options.parse_args()
    rows = [row for seed in range(1, 1 + chosen.seeds) for row in measured(seed, chosen.true_beats)]
    print(json.dumps({"changes": rows, "wanted": {"worst_ms": NEAR_MS, "deviation_percent": 2.0}}, indent=2))


if __name__ == "__main__":
    main()
