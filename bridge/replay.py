"""Sound files, and takes, through the engine that plays live, as fast as the machine can."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from statistics import median

import numpy as np
from numpy.typing import NDArray

from bridge.edge.audio import FileInput, SoundEnded
from bridge.engine import Engine
from bridge.errors import SoundFileError, TakeError
from bridge.events import (
    BeatPlaced,
    DeckChanged,
    Fact,
    FollowerChanged,
    ListenerStarted,
    PedalTold,
    SoundHeard,
    SoundLost,
)
from bridge.events_hand import Hand, TempoTold, Told
from bridge.events_host import HostSuspended, NetLost
from bridge.journal.take import RIG_COPY, write_whole
from bridge.records import as_record
from bridge.review.facts import jumps
from bridge.review.kept import HOW_KEPT, Segment, blocks, kept_sound, kept_taps
from bridge.review.read import Take, read_take
from bridge.rig import Deck, FollowerKind, Rig, SoundInput
from bridge.rig_text import parse_rig, read_rig_text
from bridge.units import TEMPO_MAX, TEMPO_MIN, clock_text, counted
from bridge.weights import learned

DECK = "file"
"""Name of the one deck that plays a sound file."""

BLOCK = 4096
"""Frames read at once; the result is the same for any number."""

TAKE_BLOCK = 1024
"""Frames of a take heard at once: what a hand told comes in between two blocks, as it did live."""

LATE_S = 0.5
"""How much later a change was noticed is told from so many seconds on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """What the engine made of sound. Times are seconds from a file's first frame, or since a take began.

    Attributes:
        path: The file, or the take's folder.
        length_s: Where what was heard of it ends.
        facts: Everything that happened, in the order in which it was known.
        decks: Names of a take's decks; none for a file.
    """

    path: Path
    length_s: float
    facts: tuple[Fact, ...]
    decks: tuple[str, ...] = ()

    def beats(self, deck: str | None = None) -> list[BeatPlaced]:
        """Return the beats of a deck, or of all, in order."""
        return [fact for fact in self.facts if isinstance(fact, BeatPlaced) and deck in (None, fact.deck)]

    def write_beats(self, path: Path) -> None:
        """Write beat time and the time at which it was known, in seconds, tab-separated, a beat a line, no header.

        Of a take, the deck's name follows them.

        Raises:
            TakeError: The file cannot be written.
        """
        rows = [f"{beat.at:.6f}\t{beat.known:.6f}" + f"\t{beat.deck}" * bool(self.decks) for beat in self.beats()]
        write_whole(path, "".join(f"{row}\n" for row in rows).encode())

    def stretches(self, deck: str) -> Iterator[tuple[float, float, str, float | None]]:
        """Yield begin, end, state and median tempo in bpm of each time in one state; one ends where the tempo jumps."""
        beats = self.beats(deck)
        moves = [(fact.at, fact.now) for fact in self.facts if isinstance(fact, FollowerChanged) and fact.deck == deck]
        turned = [at for at, _ in moves]
        turns = [
            (beat.known, "")
            for before, beat in pairwise(beats)
            if jumps(before, beat) and not any(before.known < at <= beat.known for at in turned)
        ]
        begin, state = 0.0, "idle"
        for at, now in [*sorted(moves + turns), (self.length_s, "")]:
            tempi = [beat.tempo for beat in beats if begin <= beat.known < at]
            if at > begin:
                yield begin, at, state, median(tempi) if tempi else None
            begin, state = max(begin, at), now or state

    def as_text(self) -> str:
        """Return what happened as a few lines, of each deck in order of time."""
        lines = [f"{self.path}: {clock_text(self.length_s)}, {counted(len(self.beats()), 'beat')}"]
        for deck in self.decks or (DECK,):
            lines += [f"  {deck}: {counted(len(self.beats(deck)), 'beat')}"] if self.decks else []
            lines += [f"  {text}" for _, text in sorted(self._happened(deck), key=lambda each: round(each[0], 3))]
        lines += [
            f"  {clock_text(max(0.0, fact.at))}  {fact.why}"
            for fact in self.facts
            if isinstance(fact, SoundLost | NetLost)
        ]
        return "\n".join(lines)

    def _happened(self, deck: str) -> Iterator[tuple[float, str]]:
        """Yield, with its time, each change and each stretch of a deck as a line."""
        for fact in self.facts:
            if isinstance(fact, DeckChanged) and fact.deck == deck:
                yield fact.at, f"{clock_text(max(0.0, fact.at))}  {_change_text(fact)}"
        for begin, end, state, tempo in self.stretches(deck):
            heard = "" if tempo is None else f"  {tempo:.2f} bpm"
            if clock_text(begin) == clock_text(end) and end < self.length_s:
                continue  # it was nothing yet
            yield begin, f"{clock_text(begin)} to {clock_text(end)}  {state}{heard}"

    def as_json(self) -> str:
        """Return everything that happened as one JSON object."""
        whole = {"file": str(self.path), "length_s": self.length_s, "facts": [as_record(fact) for fact in self.facts]}
        return json.dumps(whole, ensure_ascii=False, allow_nan=False)


def _change_text(fact: DeckChanged) -> str:
    """Return what the hand did to a deck, its tempo before and after where there was one, and when that was noticed."""
    tempi = [f"{tempo:.1f}" for tempo in (fact.tempo_before, fact.tempo_after) if tempo is not None]
    told = fact.change if fact.sure else f"{fact.change}, perhaps"
    told += f", {' to '.join(tempi)} bpm" if tempi else ""
    late = fact.known - fact.at
    return f"{told} (noticed {late:.1f} s later)" if late >= LATE_S else told


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
        SoundFileError: The file is absent, empty, no sound, or cut short before its first frame.
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
                facts.append(replace(event, why=f"{event.why}. What is there was heard; copy or record the file again"))
        bad = engine.not_finite
    if not heard:
        raise SoundFileError(
            f"{path}: the file is cut short or spoiled before its first frame of sound: nothing of it could be read. "
            "Copy or record it again."
        )
    if bad:
        facts.append(
            SoundLost(at=heard / source.rate, frames=0, why=f"{bad} samples were no numbers, heard as silence")
        )
    return Followed(path=path, length_s=heard / source.rate, facts=tuple(facts))


def follow_take(folder: Path, *, follower: FollowerKind | None = None, block: int = TAKE_BLOCK) -> Followed:
    """Hear the kept sound of a take again, dry taps included, with its own rig and what hands told meanwhile.

    Sound that came in at 24 bits or less, as nearly all does, is kept to the bit, so the same beats are found. What a
    hand told was obeyed some hundredths of a second earlier or later than it is here. Where the dry tap was not kept,
    as in takes of an older bridge, a deck is heard by its channels, and that is told.

    Args:
        folder: The take's folder.
        follower: What finds the beat; None for what the rig says.
        block: Frames heard at once.

    Raises:
        TakeError: The folder is no take, has no rig or no sound, or its sound has other channels than its rig.
        RigError: The take's copy of the rig cannot be read.
    """
    take = read_take(folder)
    path = folder / RIG_COPY
    if not path.exists():
        raise TakeError(f"{path}: is not there, and only it says which inputs were which deck. Put it back.")
    rig = parse_rig(read_rig_text(path), str(path))
    if follower is not None:
        rig = replace(rig, decks=tuple(replace(deck, follower=follower) for deck in rig.decks))
    sound, taps = kept_sound(take).segments, kept_taps(take).segments
    if not sound:
        raise TakeError(f"{folder}: no sound of this take was kept, so there is nothing to hear. {HOW_KEPT}")
    facts: list[Fact] = []
    for start in sorted({segment.start for segment in sound}):
        mine, my_taps = ([s for s in segments if s.start == start] for segments in (sound, taps))
        facts += _hear_again(take, rig, mine, my_taps, block)
    return Followed(
        path=folder,
        length_s=max(segment.end_s for segment in sound),
        facts=tuple(facts),
        decks=tuple(deck.name for deck in rig.decks),
    )


def _hear_again(take: Take, rig: Rig, sound: list[Segment], taps: list[Segment], block: int) -> list[Fact]:
    """Return what an engine makes of what one listener kept."""
    facts: list[Fact] = []
    if rig.taps and not taps:
        names = " and ".join(deck.name for deck in rig.decks if deck.dry)
        why = f"the dry tap of {names} is not in the take; the channels are heard"
        facts.append(SoundLost(at=sound[0].begin_s, frames=0, why=why))
        rig = replace(rig, decks=tuple(replace(deck, dry=()) for deck in rig.decks))
    for segments, inputs in ((sound, rig.channels), (taps if rig.taps else [], rig.taps)):
        for segment in segments:
            if segment.channels != len(inputs) or segment.rate != sound[0].rate:
                found = f"{counted(segment.channels, 'channel')} at {segment.rate} Hz"
                wanted = f"{len(inputs)} at {sound[0].rate}"
                raise TakeError(
                    f"{segment.path}: holds {found}, its {RIG_COPY} wants {wanted}. Put back what was changed."
                )
    engine = Engine(rig, sound[0].rate, learned())
    told = _told(engine, take, sound[0].start)
    frame = sound[0].frame
    for event in _blocks(rig, sound, taps, block):
        if event.frame > frame:
            facts.append(SoundLost(at=event.at, frames=event.frame - frame, why="the take has no sound there"))
        while told and told[0].at <= event.at:
            facts += _obeyed(engine, told.pop(0))
        facts += engine.handle(event)
        frame = event.frame + len(event.samples)
    return facts


_Order = Hand | Told | HostSuspended


def _told(engine: Engine, take: Take, start: int) -> list[_Order]:
    """Let an engine take over what stood when its listener started, and return what was told to it since."""
    starts = [fact.start if isinstance(fact, ListenerStarted) else None for fact in take.facts]
    began = starts.index(start) if start in starts else 0
    ended = next((n for n, other in enumerate(starts[began + 1 :], began + 1) if other is not None), len(starts))
    stood = [
        replace(fact, at=take.seconds(fact.at)) for fact in take.facts[:began] if isinstance(fact, PedalTold | Hand)
    ]
    for told in {fact.pedal: fact for fact in stood if isinstance(fact, PedalTold)}.values():
        engine.resume(told)
    for hand in stood:
        if isinstance(hand, Hand):
            engine.obey(hand)
    first = 0 if start == 1 else began  # a first listener may be told something before there is sound
    since = [fact for fact in take.facts[first:ended] if isinstance(fact, _Order)]
    return sorted((replace(fact, at=take.seconds(fact.at)) for fact in since), key=lambda fact: fact.at)


def _obeyed(engine: Engine, told: _Order) -> list[Fact]:
    if isinstance(told, HostSuspended):
        engine.lose_phase()
        return []
    return engine.obey(told)


_Piece = tuple[int, float, NDArray[np.float32]]
"""Number of the first frame, its time in seconds since the take began, and the samples."""


def _blocks(rig: Rig, sound: list[Segment], taps: list[Segment], block: int) -> Iterator[SoundHeard]:
    """Yield the inputs as the listener had them; those that nobody kept are silent."""
    columns = [channel - 1 for channel in rig.channels + rig.taps]
    rate = sound[0].rate
    pieces = _in_both(_pieces(sound), _pieces(taps), rate) if rig.taps else _pieces(sound)
    for frame, at, samples in pieces:
        for first in range(0, len(samples), block):
            part = samples[first : first + block]
            inputs = np.zeros((len(part), rig.inputs), np.float32)
            inputs[:, columns] = part
            yield SoundHeard(frame=frame + first, at=at + first / rate, samples=inputs)


def _pieces(segments: Sequence[Segment]) -> Iterator[_Piece]:
    for segment in sorted(segments, key=lambda segment: segment.frame):
        read = 0
        for samples in blocks(segment):
            yield segment.frame + read, segment.begin_s + read / segment.rate, samples
            read += len(samples)


def _in_both(sound: Iterator[_Piece], taps: Iterator[_Piece], rate: int) -> Iterator[_Piece]:
    """Yield, side by side, what is in both: a slow disk or a tear may have cost one of them more."""
    one, other = next(sound, None), next(taps, None)
    while one is not None and other is not None:
        ends = one[0] + len(one[2]), other[0] + len(other[2])
        begin, end = max(one[0], other[0]), min(ends)
        if begin < end:
            both = [piece[2][begin - piece[0] : end - piece[0]] for piece in (one, other)]
            yield begin, one[1] + (begin - one[0]) / rate, np.concatenate(both, axis=1)
        one = next(sound, None) if ends[0] == end else one
        other = next(taps, None) if ends[1] == end else other
