"""Sound files through the engine that plays live, as fast as the machine can."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

from bridge.edge.audio import FileInput, SoundEnded
from bridge.engine import Engine
from bridge.events import BeatPlaced, Fact, FollowerChanged, SoundHeard, SoundLost
from bridge.events_hand import TempoTold
from bridge.events_host import NetLost
from bridge.journal.take import write_whole
from bridge.records import as_record
from bridge.rig import Deck, FollowerKind, Rig, SoundInput
from bridge.units import TEMPO_MAX, TEMPO_MIN, clock_text
from bridge.weights import learned

DECK = "file"
"""Name of the one deck that plays a sound file."""

BLOCK = 4096
"""Frames read at once; the result is the same for any number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """What the engine made of a sound file. Times are seconds from its first frame.

    Attributes:
        path: The file.
        length_s: How much of it was heard.
        facts: Everything that happened, in the order in which it was known.
    """

    path: Path
    length_s: float
    facts: tuple[Fact, ...]

    def beats(self) -> list[BeatPlaced]:
        """Return the beats, in order."""
        return [fact for fact in self.facts if isinstance(fact, BeatPlaced)]

    def write_beats(self, path: Path) -> None:
        """Write beat time and the time at which it was known, in seconds, tab-separated, a beat a line, no header.

        Raises:
            TakeError: The file cannot be written.
        """
        rows = "".join(f"{beat.at:.6f}\t{beat.known:.6f}\n" for beat in self.beats())
        write_whole(path, rows.encode())

    def stretches(self) -> Iterator[tuple[float, float, str, float | None]]:
        """Yield begin, end, state and median tempo in bpm of each time in one state."""
        moves = [(0.0, "idle")]
        moves += [(fact.at, fact.now) for fact in self.facts if isinstance(fact, FollowerChanged)]
        ends = [at for at, _ in moves[1:]] + [self.length_s]
        for (begin, state), end in zip(moves, ends, strict=True):
            tempi = [beat.tempo for beat in self.beats() if begin <= beat.known < end]
            if end > begin:
                yield begin, end, state, median(tempi) if tempi else None

    def as_text(self) -> str:
        """Return what happened as a few lines."""
        lines = [f"{self.path}: {clock_text(self.length_s)}, {len(self.beats())} beats"]
        for begin, end, state, tempo in self.stretches():
            heard = "" if tempo is None else f"  {tempo:.2f} bpm"
            lines.append(f"  {clock_text(begin)} to {clock_text(end)}  {state}{heard}")
        lines += [
            f"  {clock_text(fact.at)}  {fact.why}" for fact in self.facts if isinstance(fact, SoundLost | NetLost)
        ]
        return "\n".join(lines)

    def as_json(self) -> str:
        """Return everything that happened as one JSON object."""
        whole = {"file": str(self.path), "length_s": self.length_s, "facts": [as_record(fact) for fact in self.facts]}
        return json.dumps(whole, ensure_ascii=False, allow_nan=False)


def _reaching(tempo_range: tuple[float, float], hint: float) -> tuple[float, float]:
    """Return a range widened so that a told tempo lies well within, also if it is off by half."""
    low, high = tempo_range
    return max(TEMPO_MIN, min(low, hint / 1.5)), min(TEMPO_MAX, max(high, hint * 1.5))


def follow_file(path: Path, *, tempo_hint: float | None = None, follower: FollowerKind = "net") -> Followed:
    """Follow the beat of a sound file; its channels are heard as one.

    Args:
        path: The file.
        tempo_hint: About what tempo to expect, in bpm; 20..400.
        follower: What finds the beat.

    Raises:
        SoundFileError: The file is absent, empty, or no sound.
    """
    facts: list[Fact] = []
    heard = 0
    with FileInput(path, "fast", block=BLOCK) as source:
        deck = Deck(name=DECK, channels=tuple(range(1, source.channels + 1)), follower=follower)
        if tempo_hint is not None:
            deck = replace(deck, tempo_range=_reaching(deck.tempo_range, tempo_hint))
        engine = Engine(Rig(path=str(path), sound=SoundInput(), decks=(deck,)), source.rate, learned())
        if tempo_hint is not None:
            facts.append(told := TempoTold(at=0.0, deck=DECK, tempo=tempo_hint))
            engine.obey(told)
        while not isinstance(event := source.read(0.0), SoundEnded):
            if isinstance(event, SoundHeard):
                facts += engine.handle(event)
                heard = event.frame + len(event.samples)
            elif event is not None:
                facts.append(event)
        bad = engine.not_finite
    if bad:
        facts.append(
            SoundLost(at=heard / source.rate, frames=0, why=f"{bad} samples were no numbers, heard as silence")
        )
    return Followed(path=path, length_s=heard / source.rate, facts=tuple(facts))
