"""What is played, again and otherwise: bars in another order, parts of two players together, other drums and hands.

Performances that train are few, and a net soon knows them. Everything here keeps where a beat is, and only that.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.training.hits import programmed
from tests.training.material import CLASSES, Material
from tests.training.scene import chance

EARLY = 0.1
"""Beats before a bar from which on a note belongs to it."""

KICK, SNARE, STICK, CLOSED, PEDAL, OPEN, LOW_TOM, MID_TOM, HIGH_TOM, CRASH, RIDE, BELL = range(12)
LOW = (KICK, SNARE, STICK, LOW_TOM, MID_TOM, HIGH_TOM)

OTHER_DRUMS: tuple[tuple[float, int, tuple[int, ...]], ...] = (
    (0.10, KICK, (LOW_TOM, MID_TOM)),
    (0.18, SNARE, (STICK, STICK, HIGH_TOM, CLASSES.index("other"))),
    (0.10, STICK, (SNARE, BELL)),
    (0.25, CLOSED, (RIDE, PEDAL, OPEN, CLASSES.index("other"))),
    (0.10, OPEN, (CLOSED, CRASH)),
    (0.25, RIDE, (CLOSED, CLOSED, BELL, CLASSES.index("other"))),
    (0.20, CRASH, (RIDE, OPEN)),
)
"""How often all that one drum plays is given to another, and to which. From no source."""

Rows = NDArray[np.float64]


def performed(rng: np.random.Generator, m: Material, which: int, beats: int) -> tuple[Rows, Rows]:
    """Return notes (n, 3) and offsets per beat of a performance, varied, that lasts so many beats.

    Times are in beats from the first beat of a bar.
    """
    notes, offsets = in_bars(rng, m, which, beats) if chance(rng, 0.5) else in_turn(rng, m, which, beats)
    if chance(rng, 0.3):
        other = like(rng, m, which)
        theirs, their_offsets = in_bars(rng, m, other, beats) if chance(rng, 0.5) else in_turn(rng, m, other, beats)
        of_us, of_them = (np.isin(rows[:, 1], LOW) for rows in (notes, theirs))
        kept, added = (of_us, ~of_them) if chance(rng, 0.5) else (~of_us, of_them)
        notes = np.concatenate([notes[kept], moved(theirs[added], offsets - their_offsets)])
    if chance(rng, 0.12):  # one drum as a machine would
        drum = int(rng.choice([KICK, KICK, SNARE]))
        machine = programmed(rng, beats)
        machine = machine[machine[:, 1] == drum]
        if len(machine) > beats // 8:
            notes = np.concatenate([notes[notes[:, 1] != drum], moved(machine, offsets)])
    return notes[np.argsort(notes[:, 0], kind="stable")], offsets


def moved(notes: Rows, offsets: Rows) -> Rows:
    """Return notes moved by so many beats at each beat."""
    return notes + np.outer(np.interp(notes[:, 0], np.arange(len(offsets)), offsets), [1, 0, 0])


def like(rng: np.random.Generator, m: Material, which: int) -> int:
    """Return another performance, of some drawn the one that lies in two or three as this one does."""
    some = rng.choice(len(m.bpm), 6, p=m.weight)
    return int(some[np.argmin(np.abs(m.feel[some] - m.feel[which]))])


def in_turn(rng: np.random.Generator, m: Material, which: int, beats: int) -> tuple[Rows, Rows]:
    """Return a performance as it was played from some bar on, begun again where it is too short."""
    size = len(m.offsets[which])
    first = 4 * int(rng.integers(0, size // 4))
    times = int(np.ceil((first + beats) / size))
    rows = np.concatenate([m.notes[which] + np.array([size * i, 0, 0]) for i in range(times)])
    rows = rows[(rows[:, 0] >= first - EARLY) & (rows[:, 0] < first + beats)]
    return rows - np.array([first, 0, 0]), np.tile(m.offsets[which], times)[first : first + beats].astype(float)


def in_bars(rng: np.random.Generator, m: Material, which: int, beats: int) -> tuple[Rows, Rows]:
    """Return bars of a performance in an order of their own: phrases of a few bars, repeated, some with a fill.

    Half of all stay with one phrase, as a loop on a tape does.
    """
    notes, offsets = m.notes[which], m.offsets[which]
    bars, stays = len(offsets) // 4, chance(rng, 0.5)
    of_bar = np.floor((notes[:, 0] + EARLY) / 4).astype(int)
    rows, where, total = [], [], int(np.ceil(beats / 4))
    while len(where) < total:
        length = int(rng.choice([1, 2, 2, 4, 4, 8]))
        begin = int(rng.integers(0, max(1, bars - length + 1)))
        phrase = [bar % bars for bar in range(begin, begin + length)]
        if sum(np.isin(of_bar, phrase)) < 2 * length:
            phrase = [int(of_bar[len(of_bar) // 2])] * length  # a bar with nothing in it is no loop
        for _ in range(total if stays else int(rng.choice([1, 2, 2, 4]))):
            for bar in phrase:
                is_end = (len(where) + 1) % 4 == 0
                if m.fills and is_end and not stays and chance(rng, 0.2):
                    fill = m.fills[int(rng.integers(len(m.fills)))]
                    new = fill[fill[:, 0] < 4 - EARLY].astype(float)
                else:
                    new = notes[of_bar == bar] - np.array([4 * bar, 0, 0])
                rows.append(new + np.array([4 * len(where), 0, 0]))
                where.append(bar)
    told = np.concatenate([offsets[4 * bar : 4 * bar + 4] for bar in where[:total]])[:beats]
    out = np.concatenate(rows)
    return out[out[:, 0] < beats], told.astype(float)


def patterned(rng: np.random.Generator, m: Material, beats: int) -> tuple[Rows, Rows]:
    """Return a machine's pattern, of those of `Material.patterns` or `programmed`, that lasts so many beats."""
    if not m.patterns or chance(rng, 0.55):
        return programmed(rng, beats), np.zeros(beats)
    pattern = m.patterns[int(rng.integers(len(m.patterns)))]
    bars = int(np.ceil(pattern[-1, 0] / 4))
    times = int(np.ceil(beats / (4 * bars)))
    rows = np.concatenate([pattern + np.array([4 * bars * i, 0, 0]) for i in range(times)])
    return rows[rows[:, 0] < beats], np.zeros(beats)


def by_another_hand(rng: np.random.Generator, notes: Rows) -> Rows:
    """Return the notes with other drums, other hats, other timing of each drum, and other accents, now and then."""
    notes = notes.copy()
    kinds = notes[:, 1].astype(int)
    for p, drum, others in OTHER_DRUMS:
        if chance(rng, p):
            notes[kinds == drum, 1] = rng.choice(others)
    if chance(rng, 0.25):
        notes = with_other_hats(rng, notes)
    if chance(rng, 0.3):
        notes = notes[rng.random(len(notes)) > rng.uniform(0, 0.2)]
    kinds = notes[:, 1].astype(int)
    if chance(rng, 0.5):
        notes[:, 0] += rng.normal(0, 0.012, len(CLASSES))[kinds] * (kinds != KICK)
        notes[:, 0] += rng.normal(0, rng.uniform(0, 0.012), len(notes))
    if chance(rng, 0.4):
        notes[:, 2] = notes[:, 2] ** rng.uniform(0.4, 1.6) * rng.uniform(0.6, 1.0, len(CLASSES))[kinds]
    return notes


def with_other_hats(rng: np.random.Generator, notes: Rows) -> Rows:
    """Return the notes with half of the hats' and rides' strokes, or with one between each two of them."""
    hats = np.isin(notes[:, 1], [CLOSED, PEDAL, OPEN, RIDE])
    rest, strokes = notes[~hats], notes[hats]
    if len(strokes) < 4:
        return notes
    if chance(rng, 0.5):
        every = float(rng.choice([0.5, 1.0, 1.0, 2.0]))
        off = strokes[:, 0] / every
        strokes = strokes[np.abs(off - np.rint(off)) * every < 0.09]
    else:
        gap = np.diff(strokes[:, 0])
        between = strokes[:-1][(gap > 0.2) & (gap < 1.1)].copy()
        between[:, 0] += 0.5 * gap[(gap > 0.2) & (gap < 1.1)]
        between[:, 2] *= rng.uniform(0.4, 1.0)
        strokes = np.concatenate([strokes, between])
    out = np.concatenate([rest, strokes])
    return out[np.argsort(out[:, 0], kind="stable")]
