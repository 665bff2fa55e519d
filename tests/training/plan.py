"""Decide what happens in a training scene: pure numpy, one random generator in, arrays out.

A scene is 64 s of what a follower may hear: a performance through a tape at some speed that drifts or switches, with
entries, stops, mutes and deck changes, in a bed or without, echoed or dry; one scene in four has no beat at all.
`tests.training.sound` turns the plan into sound.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.training.hits import as_events, chosen_sounds, played, programmed, swung, thinned
from tests.training.material import Material
from tests.training.scene import CLOCK, FRAMES, FRAMES_PER_S, SCENE_S, Scene, chance
from tests.training.surroundings import level_curve, loose_events, random_bed, random_echo, random_tape

TEMPO_LOW, TEMPO_HIGH = 31.0, 216.0
"""Tempos in bpm that a tape with a beat has at its speed."""


def tape_speed(rng: np.random.Generator) -> tuple[NDArray[np.float64], float]:
    """Return the speed of a deck at each frame of a scene, and its nominal speed."""
    nominal = float(rng.choice([0.5, 1.0, 2.0, 0.0], p=[0.3, 0.42, 0.1, 0.18])) or float(np.exp(rng.uniform(-0.5, 0.4)))
    t = CLOCK
    speed = np.full(len(t), nominal)
    if chance(rng, 0.6):
        speed *= np.exp(rng.normal(0, 0.035) * (t - 32) / 60)
    if chance(rng, 0.25):
        speed *= 1 + rng.uniform(0.003, 0.025) * np.sin(2 * np.pi * (t / rng.uniform(8, 60) + rng.random()))
    for low, high, most in ((0.3, 2.0, 0.006), (4.0, 12.0, 0.002)):
        speed *= 1 + rng.uniform(0, most) * np.sin(2 * np.pi * (t * rng.uniform(low, high) + rng.random()))
    if chance(rng, 0.2):
        at, factor = rng.uniform(10, 50), (2.0 if nominal < 0.75 else 0.5)
        if chance(rng, 0.35):
            factor = float(rng.choice([1.3, 1 / 1.3, np.exp(rng.uniform(-0.45, 0.45))]))
        speed *= np.exp(np.log(factor) * np.clip((t - at) / np.exp(rng.uniform(-4, -0.5)), 0, 1))
    if chance(rng, 0.15):
        at, factor = rng.uniform(8, 50), rng.uniform(-0.22, 0.22)
        speed *= np.exp(factor * np.clip((t - at) / rng.uniform(0.5, 8), 0, 1))
    return speed, nominal


def spans(rng: np.random.Generator) -> list[tuple[float, float, bool]]:
    """Return when tapes with a beat run: start, end, and whether the start is heard winding up."""
    case = rng.random()
    if case < 0.38:
        return [(-1.0, 65.0, False)]
    if case < 0.62:
        return [(rng.uniform(2, 28), 65.0, chance(rng, 0.3))]
    if case < 0.76:
        return [(-1.0, rng.uniform(20, 55), False)]
    if case < 0.84:
        start = rng.uniform(2, 20)
        return [(start, start + rng.uniform(15, 30), chance(rng, 0.3))]
    change = rng.uniform(16, 46)
    return [(-1.0, change, False), (change + rng.uniform(-0.5, 4), 65.0, chance(rng, 0.3))]


def random_scene(rng: np.random.Generator, m: Material) -> Scene:
    """Return one scene at random."""
    has_beat = chance(rng, 0.76)
    truth = {k: np.zeros(FRAMES, np.float32) for k in ("beat", "phase", "tempo", "present")}
    weight, drums = np.ones(FRAMES, np.float32), np.zeros((FRAMES, 2), np.float32)
    rows, nominal = [], 1.0
    for begin, end, winding in spans(rng) if has_beat else []:
        events, nominal = one_tape(rng, m, (begin, end, winding), truth, weight, drums)
        rows.append(events)
    plain = has_beat and chance(rng, 0.3)  # a tape alone: what must be learnt before all else
    loose = np.zeros((0, 5)) if plain else loose_events(rng, m, has_beat)
    period = np.where(truth["tempo"] > 0, 60 / np.maximum(truth["tempo"], 1), 0)
    delay, echo = (np.zeros(FRAMES, np.float32), (0.0, 0.0)) if plain else random_echo(rng, period, has_beat)
    in_echo = chance(rng, 0.5)
    wet_rows = rows + ([loose] if in_echo else [])
    return Scene(
        events=np.concatenate(wet_rows) if wet_rows else np.zeros((0, 5)),
        dry_events=np.zeros((0, 5)) if in_echo else loose,
        delay=delay,
        echo=echo,
        gain=level_curve(rng),
        bed=random_bed(rng, has_beat, plain),
        tape=random_tape(rng, nominal),
        weight=weight,
        drums=drums,
        **truth,
    )


def one_tape(
    rng: np.random.Generator,
    m: Material,
    span: tuple[float, float, bool],
    truth: dict[str, NDArray[np.float32]],
    weight: NDArray[np.float32],
    drums: NDArray[np.float32],
) -> tuple[NDArray[np.float64], float]:
    """Write one tape's beat into the truth, and return its events and its nominal speed."""
    begin, end, winding = span
    for _ in range(40):
        speed, nominal = tape_speed(rng)
        which = int(rng.choice(len(m.bpm), p=m.weight))
        by_machine = chance(rng, 0.35)
        tempo = float(np.exp(rng.uniform(np.log(62), np.log(150)))) if by_machine else m.bpm[which]
        tempo *= float(np.exp(rng.normal(0, 0.1)))
        if tempo * speed.min() > TEMPO_LOW and tempo * speed.max() < TEMPO_HIGH:
            break
    if winding:
        speed = speed * np.clip((CLOCK - begin) / rng.uniform(0.1, 0.8), 0.05, 1.0)
    place = np.concatenate([[0.0], np.cumsum(speed[:-1])]) / FRAMES_PER_S * tempo / 60  # in beats
    place -= np.interp(begin, CLOCK, place)
    beats = int(np.interp(min(end, SCENE_S), CLOCK, place)) + 2
    heard_from = 0.0 if begin > 0 and chance(rng, 0.7) else float(rng.integers(0, 256))
    if by_machine:
        notes, offsets = programmed(rng, beats), np.zeros(beats)
    else:
        first = heard_from % max(1, len(m.offsets[which]) - 8)
        notes, offsets = played(rng, m, which, np.floor(first), beats)
    is_cued = begin > 0 and chance(rng, 0.4)
    lead = 0.0 if is_cued else rng.random()  # any other tape is met anywhere within a beat
    notes = swung(rng, thinned(rng, notes.astype(float))) - np.array([lead, 0, 0])
    at = np.interp(notes[:, 0], place, CLOCK, left=-1, right=99)
    keep = (at >= max(begin, 0)) & (at < min(end, SCENE_S - 0.05))
    for _ in range(int(rng.random() < 0.4)):  # a hand on the mute or the fader: what was is known when it comes back
        mute = rng.uniform(max(begin, 0) + 6, 60)
        length = rng.uniform(1, 8) if chance(rng, 0.5) else rng.uniform(4, 16)
        keep &= ~((at > mute) & (at < mute + length))
        again = at[keep & (at >= mute + length)]
        back = again.min() if len(again) else min(end, SCENE_S)  # after its end a mute says nothing
        weight[int(mute * 100) : int(back * 100) + 10] = 0  # asked again a tenth of a second after its first hit
    at, notes = at[keep], notes[keep]
    write_truth(np.arange(beats) + offsets - lead, place, (begin, end), truth, weight)
    for column, kinds in enumerate(([0], [1, 2])):
        hit = np.isin(notes[:, 1].astype(int), kinds) & (notes[:, 2] > 0.25)
        drums[np.minimum((at[hit] * FRAMES_PER_S).astype(int), FRAMES - 1), column] = 1
    sounds = chosen_sounds(rng, m)
    return as_events(rng, at, notes[:, 1].astype(int), notes[:, 2], speed, sounds), nominal


def write_truth(
    beats: NDArray[np.float64],
    place: NDArray[np.float64],
    span: tuple[float, float],
    truth: dict[str, NDArray[np.float32]],
    weight: NDArray[np.float32],
) -> None:
    """Write beats (in beats of the tape) into the truth between start and end of a tape, both in seconds."""
    begin, end = span
    first, last = max(0, int(begin * FRAMES_PER_S)), min(FRAMES, int(end * FRAMES_PER_S))
    if last - first < 100:
        return
    at = np.interp(beats, place, CLOCK, left=-1, right=99)
    inside = (at >= first / 100) & (at < last / 100)
    truth["beat"][(at[inside] * FRAMES_PER_S).astype(int)] = 1
    index = np.interp(place[:-1], beats, np.arange(len(beats)))
    truth["phase"][first:last] = (index % 1.0)[first:last]
    advance = np.gradient(place[:-1]) * FRAMES_PER_S * 60
    truth["tempo"][first:last] = advance[first:last]
    truth["present"][first:last] = 1
    period = 60 / max(float(np.median(advance[first:last])), 20)
    if begin > 0:  # nobody knows a beat from its first hit
        weight[first : first + int(120 * period)] = 0
    weight[last : last + int(150 * period)] = 0
