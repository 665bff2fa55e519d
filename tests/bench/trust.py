"""Is a beat's confidence the share of such beats that are right? Prints JSON: a reliability table.

``python -m tests.bench.trust [--corpus build/development] [--every 1]``. The corpus is that of ``tests/training``,
which never trained; every item goes through the engine that plays live, over 31 to 213 bpm, with nothing told. A beat
is right if it lies within 70 ms of a true beat while its tempo is within 8 % of the true one, octaves aside (at double
tempo a beat half-way counts). Beside it stands how often the octave is the true one as well. What is placed where there
is no beat is wrong. The expected calibration error is the mean distance between confidence and share right over ten
bins, each weighed by its beats. Late is how long after the true beats an item's right ones were placed: the median of
the items' medians. ``--scenes N`` takes N training scenes instead (torch needed), and ``--fit`` adds the two numbers of
`bridge.follow.trust` as they would be fitted to what was heard.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from bridge.engine import Engine
from bridge.events import BeatPlaced, SoundHeard
from bridge.follow.trust import OFFSET, SLOPE
from bridge.rig import Deck, Rig, SoundInput
from bridge.weights import learned
from tests.bench.beat import errors_ms
from tests.bench.corpus import ANY_TEMPO

BLOCK = 4096
BINS = 10
NEAR_S = 0.07
TEMPO_NEAR = 0.08
LONGEST_GAP_S = 3.0

Numbers = NDArray[np.float64]


def heard(sound: NDArray[np.float32], rate: int) -> Numbers:
    """Return shape (beats, 3): time in seconds, tempo in bpm and confidence of each beat placed in a mono sound."""
    deck = Deck(name="north", channels=(1,), tempo_range=ANY_TEMPO)
    engine, rows = Engine(Rig(path="", sound=SoundInput(), decks=(deck,)), rate, learned()), []
    for frame in range(0, len(sound), BLOCK):
        block = SoundHeard(frame=frame, at=frame / rate, samples=sound[frame : frame + BLOCK, None])
        rows += [(b.at, b.tempo, b.confidence) for b in engine.handle(block) if isinstance(b, BeatPlaced)]
    return np.array(rows).reshape(-1, 3)


def right(placed: Numbers, beats: Numbers) -> NDArray[np.bool_]:
    """Return shape (placed, 2): whether each is right octaves aside, and in the true octave as well.

    Args:
        placed: Shape (placed, 2 or more): time in seconds, tempo in bpm.
        beats: Shape (beats,), when the true ones fell, in seconds.
    """
    out = np.zeros((len(placed), 2), bool)
    if len(beats) < 2:
        return out
    after = np.clip(np.searchsorted(beats, placed[:, 0]), 1, len(beats) - 1)
    gap = beats[after] - beats[after - 1]
    since = placed[:, 0] - beats[after - 1]
    ratio = placed[:, 1] * gap / 60
    there = (gap < LONGEST_GAP_S) & (since > -NEAR_S) & (since < gap + NEAR_S)
    on = there & (np.minimum(np.abs(since), np.abs(gap - since)) <= NEAR_S)
    between = there & (np.abs(since - gap / 2) <= NEAR_S)
    same, half, double = (np.abs(ratio / octave - 1) <= TEMPO_NEAR for octave in (1.0, 0.5, 2.0))
    out[:, 0] = (on & (same | half | double)) | (between & double)
    out[:, 1] = on & same
    return out


def table(confidence: Numbers, is_right: NDArray[np.bool_]) -> dict[str, Any]:
    """Return the reliability table of shapes (beats,) and (beats, 2), and its calibration error."""
    bins = np.minimum((confidence * BINS).astype(int), BINS - 1)
    rows, error = [], 0.0
    for one in np.unique(bins):
        inside = bins == one
        told, share, exact = float(confidence[inside].mean()), *is_right[inside].mean(axis=0).tolist()
        error += abs(told - share) * inside.mean()
        rows.append(
            {
                "from": round(one / BINS, 1),
                "beats": int(inside.sum()),
                "confidence": round(told, 3),
                "right": round(share, 3),
                "right_in_the_true_octave": round(exact, 3),
            }
        )
    return {
        "beats": len(confidence),
        "right": round(float(is_right[:, 0].mean()), 3),
        "expected_calibration_error": round(float(error), 3),
        "area_under_roc": area(confidence, is_right[:, 0]),
        "bins": rows,
    }


def area(confidence: Numbers, is_right: NDArray[np.bool_]) -> float | None:
    """Return the chance that a right beat has more confidence than a wrong one; None where one of both is missing."""
    good, bad = np.sort(confidence[is_right]), confidence[~is_right]
    if not len(good) or not len(bad):
        return None
    above = len(good) - (np.searchsorted(good, bad, "left") + np.searchsorted(good, bad, "right")) / 2
    return round(float(above.mean() / len(good)), 3)


def fitted(confidence: Numbers, is_right: NDArray[np.bool_]) -> dict[str, float]:
    """Return slope and offset by logistic regression (Newton's method) on what the belief thought of itself."""
    held = np.clip(confidence, 1e-6, 1 - 1e-6)
    thought = (np.log(held / (1 - held)) - OFFSET) / SLOPE
    inputs, numbers = np.column_stack([thought, np.ones(len(thought))]), np.zeros(2)
    for _ in range(50):
        share = 1 / (1 + np.exp(-inputs @ numbers))
        curve = inputs.T @ (inputs * (share * (1 - share))[:, None]) + 1e-3 * np.eye(2)
        numbers = numbers + np.linalg.solve(curve, inputs.T @ (is_right[:, 0] - share) - 1e-3 * numbers)
    return {"slope": round(float(numbers[0]), 3), "offset": round(float(numbers[1]), 3)}


def items(corpus: Path, every: int) -> Iterator[tuple[NDArray[np.float32], int, Numbers]]:
    """Yield sound, rate and true beats of every so many items of a corpus."""
    for item in json.loads((corpus / "manifest.json").read_text())[::every]:
        sound, rate = soundfile.read(corpus / f"{item['item']}.flac", dtype="float32")
        truth = (corpus / f"{item['item']}.beats.txt").read_text().split()
        yield sound, rate, np.array(truth, dtype=np.float64)


def scenes(count: int, seed: int) -> Iterator[tuple[NDArray[np.float32], int, Numbers]]:
    """Yield sound, rate and true beats of training scenes."""
    import torch

    from tests.training.material import RATE, Material
    from tests.training.plan import random_scene
    from tests.training.scene import FRAMES_PER_S, stacked
    from tests.training.sound import Bank, sound_of

    build = Path("build")
    material = Material.load(build / "bank.npz", build / "performances.npz")
    bank = Bank.load(build / "bank.npz", torch.device("cpu"))
    rng, generator = np.random.default_rng(seed), torch.Generator()
    generator.manual_seed(seed)
    for _ in range(count):
        scene = stacked([random_scene(rng, material)])
        sound = sound_of(bank, {name: torch.from_numpy(value) for name, value in scene.items()}, generator, 1)
        yield sound.numpy()[0], RATE, (np.flatnonzero(scene["beat"][0]) + 0.5) / FRAMES_PER_S


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--corpus", type=Path, default=Path("build/development"))
    options.add_argument("--every", type=int, default=1, help="take every so manieth item (default: 1)")
    options.add_argument("--scenes", type=int, default=0, help="take training scenes instead, so many")
    options.add_argument("--fit", action="store_true", help="fit the map anew, and print it")
    options.add_argument("--seed", type=int, default=4711, help="of the scenes (default: 4711)")
    chosen = options.parse_args()
    source = scenes(chosen.scenes, chosen.seed) if chosen.scenes else items(chosen.corpus, chosen.every)
    confidences, rights, late, count = [], [], [], 0
    for sound, rate, beats in source:
        placed = heard(sound, rate)
        confidences.append(placed[:, 2])
        rights.append(right(placed, beats))
        if rights[-1][:, 1].any():
            late.append(np.median(errors_ms(placed[rights[-1][:, 1], 0], beats)))
        count += 1
    of = f"training scenes, seed {chosen.seed}" if chosen.scenes else str(chosen.corpus)
    told = np.concatenate(confidences), np.concatenate(rights)
    fit = {"fitted": fitted(*told)} if chosen.fit else {}
    whole = {"of": of, "items": count, "late_ms_median_of_items": round(float(np.median(late)), 1)}
    print(json.dumps(whole | table(*told) | fit, indent=2))


if __name__ == "__main__":
    main()
