"""Drum hits in time: played by people or by a machine, thinned out, and given the sounds of a kit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.training.material import CLASSES, RATE, Material
from tests.training.scene import CLOCK, chance

OTHER, TONE, SPEECH = CLASSES.index("other"), CLASSES.index("tone"), CLASSES.index("speech")
CLASS_DB = np.array([0, -3, -8, -14, -16, -13, -5, -5, -5, -10, -13, -12, -8, -10, -8], float)
"""Level of each class beside the kick, in dB."""

STYLES: tuple[tuple[float, dict[str, str]], ...] = (
    (4.0, {"kick": "9011302160312021", "snare": "0001801200118012"}),  # back beat
    (3.0, {"kick": "9000900090009000", "snare": "0000700000017001", "off": "0090009000900090"}),  # four on the floor
    (1.5, {"kick": "9011002010302011", "snare": "0000000190000001"}),  # half time
    (1.0, {"kick": "0000000090000000", "snare": "0000000070000000", "off": "0080008000800080"}),  # one drop
    (1.0, {"kick": "9000900090009000", "snare": "0009009000090090"}),  # three, three, two
    (1.0, {"kick": "9020000100930010", "snare": "0000900209009002"}),  # break beat
    (1.0, {"kick": "8000000060000000", "snare": "0000600000006000"}),  # sparse
    (0.5, {"kick": "9000900090009000", "snare": "0000000000000000"}),  # the kick alone
    (1.5, {"kick": "901002901002", "snare": "000900000901", "off": "001001001001"}),  # shuffle
    (1.0, {"kick": "900001602001", "snare": "000900000900", "off": "555555555555"}),  # slow twelve-eight
    (1.0, {"kick": "902001001002", "snare": "001000900001", "off": "908908908908"}),  # half-time shuffle
)
"""What the drummers of the data set seldom play: how often a pattern is drawn, and its chances in tenths per sixteenth
of a bar, or per twelfth where the beat is in three ("9" is nearly always), for kick, snare, and another sound, mostly
off the beat. Common practice, no source."""

DRAWN_STYLES = 5.0
"""How often a pattern is drawn by `drawn_style` instead, beside those above."""

Sounds = tuple[list[NDArray[np.int64]], NDArray[np.float64], NDArray[np.float64]]
"""Per class the bank's sounds by loudness, its gain, and its pitch."""


def drawn_style(rng: np.random.Generator) -> dict[str, str]:
    """Return a pattern that nobody wrote, in the form of `STYLES`: kick and snare on beats, halves and sixteenths.

    The first beat of a bar bears the kick most often, and the second and fourth, or the third, the snare; all else is
    drawn anew for each tape, so that now and then the halves bear as much as the beats. The chances are from no source.
    """
    place = np.arange(16)
    level = np.where(place % 4 == 0, 0, np.where(place % 2 == 0, 1, 2))
    likely = np.array([rng.uniform(0, 0.7), rng.uniform(0, 0.6), rng.uniform(0, 0.25)])[level]
    likely[0] = rng.uniform(0.6, 1.0)
    kick = np.where(rng.random(16) < likely, 9, 0)
    snare = np.where(
        rng.random(16) < np.array([0.05, 0.2, 0.12])[level] * rng.uniform(0, 2), rng.integers(2, 10, 16), 0
    )
    snare[[4, 12] if chance(rng, 0.75) else [8]] = 9
    off = np.where(rng.random(16) < np.array([0.4, 0.3, 0.1])[level] * rng.uniform(0, 2), 9, 0)
    parts = {"kick": kick, "snare": snare} | ({"off": off} if chance(rng, 0.3) else {})
    return {part: "".join(map(str, tenths)) for part, tenths in parts.items()}


def programmed(rng: np.random.Generator, beats: int) -> NDArray[np.float64]:
    """Return a pattern by machine: shape (n, 3), time in beats, class, velocity."""
    bars = int(rng.choice([1, 2, 4]))
    swing = rng.choice([0.0, 0.0, 0.08, 0.17, 0.33]) / 2
    often = np.array([*(weight for weight, _ in STYLES), DRAWN_STYLES])
    which = int(rng.choice(len(often), p=often / often.sum()))
    style = STYLES[which][1] if which < len(STYLES) else drawn_style(rng)
    sharp, hat_every = rng.uniform(0.7, 1.6), int(rng.choice([1, 2, 2, 4, 8]))
    hat_off = int(rng.choice([0, 0, 0, 1])) * (hat_every // 2)
    hat_kind = int(rng.choice([3, 3, 4, 5, 10, OTHER]))
    has_hats = chance(rng, 0.55 if "off" in style else 0.9)
    kind_of = {"kick": 0, "snare": int(rng.choice([1, 1, 2])), "off": int(rng.choice([3, 5, 5, 10, OTHER, TONE]))}
    steps = len(style["kick"])
    if steps == 12:
        swing, hat_every = 0.0, int(rng.choice([1, 1, 3]))
    rows = []
    for step in range(steps * bars):
        at, even = 4 * step / steps, step % (steps // 4)
        accent = 1.0 if even == 0 else (0.75 if 2 * even == steps // 4 else 0.55)
        for part, tenths in style.items():
            if rng.random() < (int(tenths[step % steps]) / 10 + 0.02) ** sharp:
                rows.append((at, kind_of[part], rng.uniform(0.6, 1.0)))
        if has_hats and step % hat_every == (hat_off if steps == 16 else 0):
            rows.append((at, hat_kind, accent * rng.uniform(0.6, 1.0)))
    loop = np.array(rows or [(0.0, 0, 1.0)])
    loop[:, 0] += swing * (np.rint(loop[:, 0] * 4) % 2 == 1) * 0.5
    times = int(np.ceil(beats / (4 * bars)))
    out = np.concatenate([loop + np.array([4 * bars * i, 0, 0]) for i in range(times)])
    out[:, 0] += rng.normal(0, rng.uniform(0, 0.012), len(out))
    return out[rng.random(len(out)) > rng.choice([0.0, 0.05, 0.15])]


def played(
    rng: np.random.Generator, m: Material, which: int, first: float, beats: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return notes (n, 3) and offsets per beat of a performance from beat ``first`` on, looped where too short."""
    notes, offsets = m.notes[which], m.offsets[which]
    size = len(offsets)
    if chance(rng, 0.2) and size > 16:  # a short loop cut from it
        size = int(rng.choice([4, 8, 16]))
        begin = 4 * int(rng.integers(0, (len(offsets) - size) // 4 + 1))
        notes = notes[(notes[:, 0] >= begin - 0.1) & (notes[:, 0] < begin + size - 0.1)] - np.array([begin, 0, 0])
        offsets = offsets[begin : begin + size]
        if len(notes) < size // 2:
            return played(rng, m, which, first, beats)
    times = int(np.ceil((first + beats) / size)) + 1
    rows = np.concatenate([notes + np.array([size * i, 0, 0]) for i in range(times)])
    rows = rows[(rows[:, 0] >= first - 0.05) & (rows[:, 0] < first + beats)]
    return rows - np.array([first, 0, 0]), np.tile(offsets, times)[int(first) : int(first) + beats]


def swung(rng: np.random.Generator, notes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return notes, time in beats first, some of them as a shuffle: the half of each beat falls at two thirds of it."""
    if not chance(rng, 0.22):
        return notes
    half = float(rng.choice([2 / 3, 2 / 3, rng.uniform(0.55, 0.72)]))
    beat, place = np.divmod(notes[:, 0] + 0.08, 1.0)  # a hit a little early belongs to its beat
    place -= 0.08
    late = np.interp(place, [-0.08, 0.0, 0.5, 0.92], [-0.08, 0.0, half, 0.92 + (half - 0.5) * 0.12])
    return np.column_stack([beat + late, notes[:, 1:]])


def thinned(rng: np.random.Generator, notes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the notes without some drums: no kick, no hats, brushes, only cymbals, no ghost notes."""
    kinds = notes[:, 1].astype(int)
    keep = np.ones(len(notes), bool)
    for kind, p in ((0, 0.08), (1, 0.08), (3, 0.2), (4, 0.3), (5, 0.2), (9, 0.3), (10, 0.2)):
        if chance(rng, p):
            keep &= kinds != kind
    if chance(rng, 0.08):
        keep &= np.isin(kinds, [0, 1, 2])
    if chance(rng, 0.04):
        keep &= np.isin(kinds, [3, 4, 5, 10])
    if chance(rng, 0.3):
        keep &= notes[:, 2] > rng.uniform(0.15, 0.5)
    return notes[keep] if keep.sum() > 0.25 * len(notes) else notes


def chosen_sounds(rng: np.random.Generator, m: Material) -> Sounds:
    """Return per class the bank's sounds of this scene by loudness, their gains, and their pitch."""
    kit = rng.choice(m.full_kits)
    mixed = chance(rng, 0.2)
    picks = []
    for kind in range(len(CLASSES)):
        pool = m.by_kind[kind]
        of = rng.choice(m.kit[pool]) if mixed or not (m.kit[pool] == kit).any() else kit
        own = pool[m.kit[pool] == of]
        if kind in (OTHER, TONE, SPEECH):
            picks.append(rng.choice(pool, 1))
            continue
        if len(own) > 3:
            own = np.sort(rng.choice(own, 3, replace=False))
        picks.append(own[np.argsort(m.loud[own], kind="stable")])
    if chance(rng, 0.12):  # found sounds take the drums' parts
        for kind in rng.choice(12, int(rng.integers(1, 6)), replace=False):
            picks[kind] = rng.choice(m.by_kind[int(rng.choice([OTHER, 2, 6, 7, 8]))], 1)
    gain = 10 ** ((CLASS_DB + rng.normal(0, 4, len(CLASSES))) / 20)
    return picks, gain, np.exp(rng.normal(0, 0.09, len(CLASSES)))


def as_events(
    rng: np.random.Generator,
    at: NDArray[np.float64],
    kinds: NDArray[np.int64],
    loud: NDArray[np.float64],
    speed: NDArray[np.float64],
    sounds: Sounds,
) -> NDArray[np.float64]:
    """Return event rows of hits at given seconds; the pitch follows the tape's speed at each hit."""
    picks, gain, pitch = sounds
    which = np.array(
        [picks[k][min(len(picks[k]) - 1, int(v * len(picks[k])))] for k, v in zip(kinds, loud, strict=True)]
    )
    rate = pitch[kinds] * np.interp(at, CLOCK, speed) * np.exp(rng.normal(0, 0.005, len(at)))
    open_hat = rng.uniform(0.15, 1.2) * RATE
    longest = np.where(kinds == 5, open_hat, 1e9)
    return np.column_stack([at * RATE, which, rate, gain[kinds] * loud**1.3, longest])
