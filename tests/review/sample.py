"""A take of two minutes in the demo world, as a listener would have written it.

North plays a bed, then *gravel path* (84 bpm, drifting), then *winch room* at half speed (59), switched to normal
(118), loses the beat and finds it again. South plays *fog signal*, later a beat at 72. The listener is lost once.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

from bridge.events import (
    BeatPlaced,
    DeckChanged,
    Fact,
    FollowerChanged,
    LevelHeard,
    ListenerLost,
    ListenerStarted,
    MarkPlaced,
    PedalTold,
    PortLost,
    PortOpened,
    TakeEnded,
    TakeStarted,
    TicksDropped,
    WallClockRead,
)
from bridge.journal.codec import fact_line, schema_line

BEGAN = 5000.0
"""Host time at which the take began."""

WALL = 1795633392.0
"""2026-11-25 19:03:12 UTC."""

LENGTH_S = 120.0


def ferry_night() -> list[Fact]:
    """Every fact of the sample take, in the order of their times."""
    facts = [*_frame(), *_north(), *_south(), *_levels()]
    return sorted(facts, key=lambda fact: fact.at)


def journal_bytes(facts: Sequence[Fact]) -> bytes:
    """A journal that holds these facts."""
    return schema_line() + b"".join(map(fact_line, facts))


def write_take(folder: Path, facts: Sequence[Fact]) -> Path:
    """Write a take's folder with a journal, and return it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "journal.jsonl").write_bytes(journal_bytes(facts))
    return folder


def _frame() -> Iterator[Fact]:
    yield TakeStarted(
        at=BEGAN,
        wall=WALL,
        name="20261125T190312Z-ferry-night",
        version="0.1.0",
        decks=("north", "south"),
        pedals=("long echo", "short echo"),
    )
    yield ListenerStarted(at=BEGAN + 0.1, pid=4000, start=1, rate=48_000, source="tapes of the lighthouse")
    yield PortOpened(at=BEGAN + 0.2, port="Pedals A", found="Pedals A:Pedals A MIDI 1 20:0")
    yield WallClockRead(at=BEGAN + 60, wall=WALL + 60)
    yield MarkPlaced(at=BEGAN + 31.4, wall=WALL + 31.4, text="gravel path sits well under the horns")
    yield MarkPlaced(at=BEGAN + 71.0, wall=WALL + 71, text="kettle on ☕ 灯台")
    yield TicksDropped(at=BEGAN + 66.0, port="Pedals A", count=3)
    yield PortLost(at=BEGAN + 80.0, port="Pedals B", why="the device is gone")
    yield PortOpened(at=BEGAN + 82.5, port="Pedals B", found="Pedals B:Pedals B MIDI 1 24:0")
    yield ListenerLost(at=BEGAN + 92.0, pid=4000, why="killed by signal 9")
    yield ListenerStarted(at=BEGAN + 93.6, pid=4077, start=2, rate=48_000, source="tapes of the lighthouse")
    yield TakeEnded(at=BEGAN + LENGTH_S, why="tapebridge end")


def _north() -> Iterator[Fact]:
    yield _turn("north", 1.5, "idle", "listening")
    yield _turn("north", 20.0, "listening", "following")
    yield from _played("north", "long echo", 1.0, 17.0, 55.0, lambda t: 84 * (1 + 0.018 * (t - 17) / 38), wow=0.2)
    yield _turn("north", 56.5, "following", "holding")
    yield _changed("north", 55.0, "stopped", 85.5, None, 1.8)
    yield _changed("north", 58.0, "another tape", 85.5, 59.0, 5.2)
    yield _turn("north", 62.0, "holding", "following")
    yield from _played("north", "long echo", 1.0, 58.5, 85.0, lambda t: 59.0 - 0.01 * (t - 58), wow=0.15)
    yield _changed("north", 85.0, "speed switch", 58.8, 118.0, 1.4)
    yield from _played("north", "long echo", 1.0, 85.3, 92.0, lambda t: 118.0 + 0.02 * (t - 85), wow=0.3, first=90)
    yield _turn("north", 94.0, "idle", "listening")
    yield _turn("north", 97.0, "listening", "following")
    yield from _played("north", "long echo", 1.0, 95.0, 106.0, lambda t: 118.2 + 0.02 * (t - 95), wow=0.3)
    yield _turn("north", 108.0, "following", "holding")
    yield _turn("north", 114.0, "holding", "following")
    yield from _played("north", "long echo", 1.0, 113.0, 119.8, lambda t: 118.6, wow=0.3)


def _south() -> Iterator[Fact]:
    yield _changed("south", 28.0, "started", None, None, 0.9)
    yield _turn("south", 28.9, "idle", "listening")
    yield _turn("south", 68.0, "listening", "following")
    yield from _played("south", "short echo", 1.5, 64.0, 91.8, lambda t: 72 - 0.06 * (t - 64), wow=0.4)
    yield _turn("south", 94.2, "idle", "listening")
    yield _turn("south", 99.0, "listening", "following")
    yield from _played("south", "short echo", 1.5, 96.0, 119.5, lambda t: 70.2 - 0.02 * (t - 96), wow=0.4)


def _played(deck, pedal, ratio, begin, end, tempo, wow, first=0) -> Iterator[Fact]:  # type: ignore[no-untyped-def]
    """Beats from ``begin`` to ``end``, and a pedal that is told a bit late and with a dead band."""
    seconds, index, told = begin, first, None
    while seconds < end:
        heard = tempo(seconds) + wow * math.sin(2.1 * seconds) + 0.05 * math.sin(17.3 * seconds)
        at = BEGAN + seconds
        yield BeatPlaced(at=at, deck=deck, index=index, tempo=heard, confidence=0.8, known=max(at, BEGAN + begin + 3.0))
        if seconds > begin + 3 and (told is None or abs(heard / told - 1) > 0.004):
            why = "drift" if told else "begin"
            told = heard
            yield PedalTold(at=at + 0.2, pedal=pedal, deck=deck, tempo=heard * ratio, ratio=ratio, why=why)
        seconds, index = seconds + 60 / heard, index + 1


def _levels() -> Iterator[Fact]:
    for second in range(1, int(LENGTH_S) + 1):
        if 92 < second < 95:
            continue
        north = -120.0 if 55 <= second < 58 else -22 + 6 * math.sin(second / 9) + 2 * math.sin(second * 1.7)
        south = -120.0 if second < 28 else -28 + 5 * math.sin(second / 13 + 1) + 1.5 * math.sin(second * 2.3)
        yield LevelHeard(at=BEGAN + second, deck="north", level_db=north)
        yield LevelHeard(at=BEGAN + second, deck="south", level_db=south)


def _turn(deck, seconds, was, now) -> Fact:  # type: ignore[no-untyped-def]
    return FollowerChanged(at=BEGAN + seconds, deck=deck, was=was, now=now)


def _changed(deck, seconds, change, before, after, late) -> Fact:  # type: ignore[no-untyped-def]
    return DeckChanged(
        at=BEGAN + seconds,
        deck=deck,
        change=change,
        tempo_before=before,
        tempo_after=after,
        level_before_db=-20.0,
        level_after_db=-24.0,
        known=BEGAN + seconds + late,
    )
