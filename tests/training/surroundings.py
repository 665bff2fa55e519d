"""All that is around the drums: beds, loose sounds without a pulse, the mixer, the tape, the echo."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.training.hits import OTHER, SPEECH, TONE, as_events, chosen_sounds
from tests.training.material import RATE, Material
from tests.training.scene import CLOCK, FRAMES, SCENE_S, chance

BED_TONES = 6
COLOUR_POINTS = 12


def random_bed(rng: np.random.Generator, beat: bool, plain: bool = False) -> dict[str, NDArray[np.float32]]:
    """Return a bed: coloured noise with a slow envelope, partials, tremolo. Levels are linear."""
    light = -12 if beat and chance(rng, 0.35) else 0
    noise = 0.0 if plain or chance(rng, 0.45) else 10 ** (rng.uniform(-34, (-4 if beat else 0) + light) / 20)
    tone = 0.0 if plain or chance(rng, 0.45) else 10 ** (rng.uniform(-34, -2 + light) / 20)
    root = np.exp(rng.uniform(np.log(45), np.log(300)))
    ratios = rng.choice([1, 1, 1.5, 2, 2, 2.5, 3, 4, 1.2, 1.26, 1.78], BED_TONES) * np.exp(
        rng.normal(0, 0.004, BED_TONES)
    )
    colour = np.cumsum(rng.normal(0, 7, COLOUR_POINTS))
    knots = int(rng.choice([4, 16, 64, 256], p=[0.35, 0.35, 0.2, 0.1]))
    grid = np.linspace(0, knots - 1, FRAMES)

    def slow(depth: float) -> NDArray[np.float32]:
        return np.exp(np.interp(grid, np.arange(knots), rng.normal(0, depth, knots))).astype(np.float32)

    def tremolo(p: float) -> NDArray[np.float32]:
        if not chance(rng, p):
            return np.ones(FRAMES, np.float32)
        rate, depth = np.exp(rng.uniform(np.log(0.4), np.log(9))), rng.uniform(0.1, 0.95)
        wave = np.sin(2 * np.pi * (CLOCK[:-1] * rate + rng.random()))
        shaped = np.clip(wave * rng.choice([1.0, 1.0, 6.0]), -1, 1)
        return (1 + depth * shaped).astype(np.float32)

    partials = np.array([slow(rng.uniform(0.1, 0.9)) for _ in range(BED_TONES)])
    if chance(rng, 0.15):  # bubbling voice-like swells
        partials *= (rng.random((BED_TONES, FRAMES // 25)) > 0.4).repeat(25, axis=1)
        partials = np.apply_along_axis(lambda x: np.convolve(x, np.ones(9) / 9, "same"), 1, partials)
    return {
        "noise": (noise * slow(rng.uniform(0.1, 0.8)) * tremolo(0.25)).astype(np.float32),
        "colour": colour.astype(np.float32),
        "tone_hz": (root * ratios).astype(np.float32),
        "tone": (tone * tremolo(0.3) * partials * rng.uniform(0.1, 1, (BED_TONES, 1)) / 2).astype(np.float32),
    }


def loose_events(rng: np.random.Generator, m: Material, beat: bool) -> NDArray[np.float64]:
    """Return sounds without a pulse: notes and chords, speech, rummage, footsteps that falter."""
    speed = np.full(FRAMES + 1, np.exp(rng.normal(0, 0.35)))
    if not beat and chance(rng, 0.12):  # steps alone, with nothing beside them that tells
        return faltering_hits(rng, m, speed)
    rows = []
    for p, kinds, gap, cv in (
        (0.3, [TONE], (1.5, 6.0), 0.5),
        (0.12 if beat else 0.25, [SPEECH], (4.0, 12.0), 0.3),
        (0.08 if beat else 0.3, [OTHER, 2, 6, 8], (0.3, 4.0), 0.8),
        (0.03 if beat else 0.15, [0, 1, 3, 5, 7, 9], (0.4, 6.0), 0.9),
    ):
        if not chance(rng, p):
            continue
        mean = rng.uniform(*gap)
        # Gaps with a wide spread: near the mean there is no pulse to follow.
        gaps = mean * (1 - cv + cv * rng.exponential(1.0, int(70 / mean) + 2) * rng.uniform(0.8, 1.3))
        at = np.cumsum(gaps) - rng.uniform(0, mean)
        at = at[(at > 0) & (at < SCENE_S)]
        if not len(at):
            continue
        picked = rng.choice(kinds, len(at))
        level = 10 ** (rng.uniform(-22, 0) / 20)
        sounds = chosen_sounds(rng, m)
        rows.append(as_events(rng, at, picked, rng.uniform(0.3, 1, len(at)), speed, sounds) * [1, 1, 1, level, 1])
        if kinds == [TONE]:
            for ratio in rng.choice([1.2, 1.26, 1.5, 2.0, 0.5], 2):
                rows.append(rows[-1] * [1, 1, ratio, 1, 1])
    if chance(rng, 0.15 if beat else 0.4):
        rows.append(wandering_chords(rng, m, speed))
    if chance(rng, 0.03 if beat else 0.3):
        rows.append(faltering_hits(rng, m, speed))
    if chance(rng, 0.02 if beat else 0.1):
        rows.append(wound(rng, m))
    return np.concatenate(rows) if rows else np.zeros((0, 5))


def faltering_hits(rng: np.random.Generator, m: Material, speed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return steps, rattle or a gate in the wind: one or two sounds, no gap like the one before, and halts."""
    mean, spread = np.exp(rng.uniform(np.log(0.25), np.log(1.4))), rng.uniform(0.2, 0.55)
    gaps = np.exp(rng.normal(np.log(mean), spread, int(80 / mean) + 8))
    gaps += rng.exponential(2.0, len(gaps)) * (rng.random(len(gaps)) < rng.choice([0.0, 0.03, 0.1, 0.2]))
    at = np.cumsum(gaps) - rng.uniform(0, mean)
    at = at[(at > 0) & (at < SCENE_S - 0.1)]
    kinds = rng.choice([0, 1, 2, 3, 5, 6, 7, 8, 9, OTHER], int(rng.integers(1, 3)))
    rows = as_events(rng, at, rng.choice(kinds, len(at)), rng.uniform(0.3, 1, len(at)), speed, chosen_sounds(rng, m))
    return rows * [1, 1, 1, 10 ** (rng.uniform(-22, 0) / 20), 1]


def wound(rng: np.random.Generator, m: Material) -> NDArray[np.float64]:
    """Return drums under the head of a tape that is wound: a chatter of high, short hits, slower at both ends."""
    sounds, at, now = chosen_sounds(rng, m), [], float(rng.uniform(0, 10))
    ratios = []
    while now < SCENE_S - 1:
        end, begin, fast = min(now + rng.uniform(3, 12), SCENE_S - 0.1), now, rng.uniform(5, 25)
        while now < end:
            ratio = max(1.0, fast * min(1.0, (now - begin) / 1.5 + 0.05, (end - now) / 0.8 + 0.05))
            now += float(rng.exponential(0.25)) / ratio
            at.append(now)
            ratios.append(ratio)
        now += rng.uniform(1, 6)
    size = len(at)
    kinds = rng.choice([0, 1, 3, 3, 5, 6, 10], size)
    rows = as_events(rng, np.array(at), kinds, rng.uniform(0.2, 1, size), np.ones(FRAMES + 1), sounds)
    rows[:, 0] = np.minimum(rows[:, 0], (SCENE_S - 0.05) * RATE)
    return rows * np.column_stack(
        [np.ones((size, 2)), ratios, np.full(size, 10 ** (rng.uniform(-26, -4) / 20)), np.ones(size)]
    )


def wandering_chords(rng: np.random.Generator, m: Material, speed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a piano or the like that plays in time with nothing: chords and broken chords, tempo never the same."""
    mean, depth, back = np.exp(rng.uniform(np.log(0.3), np.log(2.5))), rng.uniform(0.12, 0.45), rng.uniform(0.1, 0.9)
    drift, at, now = 0.0, [], float(rng.uniform(0, mean))
    while now < SCENE_S - 0.1:
        at.append(now)
        drift += rng.normal(0, depth) - back * drift
        now += max(0.08, mean * np.exp(drift) * float(rng.choice([0.5, 1, 1, 2], p=[0.15, 0.35, 0.35, 0.15])))
    size = len(at)
    level = 10 ** (rng.uniform(-22, 0) / 20)
    sounds = chosen_sounds(rng, m)
    loud = rng.uniform(0.35, 1, size)
    base = as_events(rng, np.array(at), np.full(size, TONE), loud, speed, sounds) * [1, 1, 1, level, 1]
    scale = 2 ** (rng.choice([-12, -7, -5, -2, 0, 2, 3, 5, 7, 10, 12], (size, 4)) / 12)
    rows = [base * np.column_stack([np.ones((size, 2)), scale[:, 0], np.ones((size, 2))])]
    for voice in range(1, int(rng.integers(1, 5))):
        also = rng.random(size) < rng.uniform(0.2, 1)
        rolled = base[also] * np.column_stack([np.ones((also.sum(), 2)), scale[also, voice], np.ones((also.sum(), 2))])
        rolled[:, 0] = np.minimum(rolled[:, 0] + rng.uniform(0, 0.04) * voice * RATE, (SCENE_S - 0.05) * RATE)
        rows.append(rolled)
    return np.concatenate(rows)


def level_curve(rng: np.random.Generator) -> NDArray[np.float32]:
    """Return the mixer's level: where it stands, rides, dropouts of the tape."""
    curve = np.full(FRAMES, rng.uniform(-34, -3))
    if chance(rng, 0.2):
        knots = int(rng.choice([3, 6, 12]))
        curve += np.interp(np.linspace(0, knots - 1, FRAMES), np.arange(knots), rng.normal(0, 7, knots))
    for _ in range(int(rng.poisson(0.6))):
        at, size = int(rng.integers(0, FRAMES)), int(rng.integers(3, 25))
        curve[at : at + size] -= rng.uniform(4, 25)
    return (10 ** (np.minimum(curve, 0) / 20)).astype(np.float32)


def random_tape(rng: np.random.Generator, nominal: float) -> NDArray[np.float32]:
    """Return low cut and high cut in Hz, drive, hiss, reverb time in seconds, wet part."""
    high = np.exp(rng.uniform(np.log(3500), np.log(14000))) * min(nominal, 1.0) ** 0.8
    low = np.exp(rng.uniform(np.log(20), np.log(160)))
    hiss = 10 ** (rng.uniform(-80, -42) / 20)
    wet = 10 ** (rng.uniform(-22, 2) / 20) if chance(rng, 0.4) else 0.0
    return np.array([low, high, np.exp(rng.uniform(-2, 1.2)), hiss, rng.uniform(0.3, 4.0), wet], np.float32)


def random_echo(
    rng: np.random.Generator, period: NDArray[np.float64], has_beat: bool
) -> tuple[NDArray[np.float32], tuple[float, float]]:
    """Return the delay in seconds at each frame, and feedback and level; a pedal on the beat glides after the tempo."""
    if not chance(rng, 0.58 if has_beat else 0.3):
        return np.zeros(FRAMES, np.float32), (0.0, 0.0)
    echo = (rng.uniform(0.2, 0.82), 10 ** (rng.uniform(-10, 4.5) / 20))
    if not period.any() or chance(rng, 0.25):
        return np.full(FRAMES, rng.uniform(0.15, 1.2), np.float32), echo
    known = np.flatnonzero(period > 0)
    filled = np.interp(np.arange(FRAMES), known, period[known])
    ratio = float(
        rng.choice([0.25, 1 / 3, 0.5, 2 / 3, 0.75, 1.0, 1.5, 2.0], p=[0.06, 0.06, 0.2, 0.06, 0.32, 0.18, 0.08, 0.04])
    )
    if chance(rng, 0.45):  # a wet performer: repeats as loud as the drums, on and on
        ratio = float(rng.choice([0.5, 0.75, 1.0], p=[0.3, 0.5, 0.2]))
        echo = (rng.uniform(0.5, 0.82), 10 ** (rng.uniform(-6, 4.5) / 20))
    late = int(rng.uniform(20, 300))
    slewed = np.convolve(np.pad(filled, (late - 1, 0), mode="edge"), np.ones(late) / late, "valid")
    return np.clip(ratio * slewed, 0.105, 2.4).astype(np.float32), echo
