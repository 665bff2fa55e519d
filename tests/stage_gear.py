"""What a simulated set is played with: tapes that wander, a listener that dies, ports in processes of their own, boxes.

All in simulated time: host times are handed in. `tests.stage_set` plays it.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from math import inf
from random import Random

from bridge.edge.port_hand import Handed
from bridge.events import Fact, PortLost, PortOpened
from bridge.events_foot import DeckStands
from bridge.events_sent import MessageLeftOut
from bridge.send.schedule import Message

WORD_S = 0.25
"""How often a listener tells how a deck stands, in seconds."""

LOOK_S, RETRY_S = 0.25, 1.0
"""How soon a port's process sees that its port is gone, and that it is back, in seconds at most."""

BYTE_S = 0.00032
"""How long a byte takes on a cable. Source: MIDI 1.0 Detailed Specification, 31.25 kbaud and 10 bits a byte."""


@dataclass
class Tape:
    """One tape from when it is started until it is stopped.

    Attributes:
        begins, ends: Host times in seconds.
        tempo: In bpm, about which it wanders by 1.4 %.
        finds_s: How long a follower takes to find its beat, in seconds.
        lost: From when to when its beat cannot be heard.
        phase: Of its wandering.
    """

    begins: float
    ends: float
    tempo: float
    finds_s: float
    phase: float
    lost: list[tuple[float, float]] = field(default_factory=list)

    def tempo_at(self, at: float) -> float:
        slow, quick = at / 300 + self.phase, at / 37 + self.phase
        return self.tempo * (1 + 0.01 * math.sin(2 * math.pi * slow) + 0.004 * math.sin(2 * math.pi * quick))

    def beats_at(self, at: float) -> float:
        """Return its beats since it began: what `tempo_at` sums up to."""

        def wander(t: float) -> float:
            parts = ((0.01, 300.0), (0.004, 37.0))
            return sum(-a * p / (2 * math.pi) * math.cos(2 * math.pi * (t / p + self.phase)) for a, p in parts)

        return self.tempo / 60 * (at - self.begins + wander(at) - wander(self.begins))

    def has_beat(self, at: float) -> bool:
        """Return whether one that heard it all along follows its beat."""
        return at >= self.begins + self.finds_s and not any(begins <= at < ends for begins, ends in self.lost)


@dataclass
class Deck:
    """A deck, and what is put into it."""

    name: str
    tapes: list[Tape]

    def tape_at(self, at: float) -> Tape | None:
        index = bisect_right(self.tapes, at, key=lambda tape: tape.begins) - 1
        return self.tapes[index] if index >= 0 and at < self.tapes[index].ends else None


def put_in_tapes(random: Random, name: str, length_s: float, calm_s: float) -> Deck:
    """Return a deck with tapes for a set; the last one plays steadily for the last ``calm_s``."""
    tapes, at = list[Tape](), random.uniform(1, 5)
    last = length_s - calm_s - 5
    while at < last - 60:
        ends = min(last, at + random.uniform(50, 400))
        tape = Tape(at, ends, random.uniform(55, 150), random.uniform(1.5, 6), random.random())
        begins = at + tape.finds_s + random.uniform(5, 60)
        while begins < ends - 15:
            back = begins + random.uniform(3, 40)
            tape.lost.append((begins, min(back, ends + 1)))
            begins = back + random.uniform(8, 120)
        tapes.append(tape)
        at = ends + random.uniform(4, 20)
    tapes.append(Tape(max(at, last), length_s + 60, random.uniform(60, 130), 2.0, random.random()))
    return Deck(name, tapes)


class Listener:
    """Tells how the decks stand. One that was just started hears at first nothing, and finds beats later still."""

    def __init__(self, random: Random, decks: list[Deck]) -> None:
        self._random = random
        self._decks = decks
        self.start(0.0)

    def start(self, at: float) -> None:
        self.began = at
        self.dead_until = at
        self._hears_s = self._random.uniform(0.2, 1.5)
        self._finds_s = self._random.uniform(2, 12)
        self._counts_from = {deck.name: self._random.randrange(-500, 500) for deck in self._decks}
        self._held: dict[str, tuple[float, float, float]] = {}
        self.told: set[str] = set()

    def word(self, deck: Deck, at: float) -> DeckStands:
        """Return what it says of a deck."""
        tape, age_s = deck.tape_at(at), at - self.began
        if tape is None or age_s < self._hears_s:
            if tape is None:
                self._held.pop(deck.name, None)
            return DeckStands(at=at, deck=deck.name, state="idle", runs=False)
        if tape.has_beat(at) and age_s >= self._finds_s:
            heard_s = 0.003 * math.sin(at)  # a follower is never quite on the beat
            beats = tape.beats_at(at + heard_s) + self._counts_from[deck.name]
            self._held[deck.name] = (at, beats, tape.tempo_at(at))
            return DeckStands(at=at, deck=deck.name, state="following", runs=True, tempo=tape.tempo_at(at), beats=beats)
        if deck.name in self._held:
            since, beats, tempo = self._held[deck.name]
            return DeckStands(
                at=at, deck=deck.name, state="holding", runs=True, tempo=tempo, beats=beats + (at - since) * tempo / 60
            )
        return DeckStands(at=at, deck=deck.name, state="listening", runs=True)


class Cable:
    """A MIDI output, the process that it has for itself, and what the sender knows of both.

    Args:
        name: The port's name.
        random: Says how soon its process notices what happens to it.

    Attributes:
        out: What came out at its far end since it was last taken: host time in seconds and bytes.
        facts: What its process told that the sender has not read.
        held: What its process is to undo, and by when.
    """

    def __init__(self, name: str, random: Random) -> None:
        self.name = name
        self.out: list[tuple[float, bytes]] = []
        self.facts: list[Fact] = [PortOpened(at=0.0, port=name, found=name)]
        self.held: dict[bytes, float] = {}
        self.due: list[Handed] = []
        self.is_open = False
        self.plugged = True
        self.longest_wait_s = 0.0
        self._random = random
        self._knows_gone = False
        self._notices_at = inf
        self._free_at = 0.0

    def take_facts(self) -> list[Fact]:
        """Return what the sender reads now."""
        facts, self.facts = self.facts, []
        for fact in facts:
            if isinstance(fact, PortOpened | PortLost):
                self.is_open = isinstance(fact, PortOpened)
        return facts

    def hand_over(self, message: Message) -> bool:
        if not self.is_open:
            return False
        handed = Handed(message.at, message.until, message.undo_at, message.data, message.undo, message.settles)
        self.due.append(handed)
        self.due.sort(key=lambda handed: handed.at)
        return True

    def pull(self, at: float) -> None:
        self.plugged, self._notices_at = False, at + self._random.uniform(0.01, LOOK_S)

    def plug(self, at: float) -> None:
        self.plugged, self._notices_at = True, at + self._random.uniform(0.01, RETRY_S)

    def next_at(self) -> float:
        """Return the host time in seconds at which its process does something next."""
        return min(self.due[0].at if self.due else inf, self._notices_at, *self.held.values(), inf)

    def run(self, at: float) -> None:
        """Let its process do what is to be done at a host time in seconds."""
        if self._notices_at <= at:
            self._notice(at)
        while self.due and self.due[0].at <= at:
            self._send(self.due.pop(0), at)
        self._undo(at, at)

    def finish(self, at: float) -> None:
        """Let the sender vanish."""
        self._undo(inf, at)

    def _send(self, handed: Handed, at: float) -> None:
        if at > handed.until:
            self.facts.append(MessageLeftOut(at=at, port=self.name, data=handed.data.hex()))
        elif not handed.data or self._takes(handed.data, at):
            self.held.pop(handed.data, None)
            self.held.pop(handed.settles, None)
            if handed.undo:
                self.held[handed.undo] = handed.undo_at

    def _undo(self, by: float, at: float) -> None:
        for data in [data for data, undo_at in self.held.items() if undo_at <= by]:
            if self._takes(data, at):
                del self.held[data]
            else:
                self.held[data] = inf

    def _takes(self, data: bytes, at: float) -> bool:
        if not self.plugged:
            self._notice(at)
        if self._knows_gone:
            return False
        self.longest_wait_s = max(self.longest_wait_s, self._free_at - at)
        self._free_at = max(self._free_at, at) + len(data) * BYTE_S
        self.out.append((at, data))
        return True

    def _notice(self, at: float) -> None:
        self._notices_at = inf
        if self._knows_gone == self.plugged:
            self._knows_gone = not self.plugged
            if self.plugged:
                self.facts.append(PortOpened(at=at, port=self.name, found=self.name))
                self._undo(inf, at)
            else:
                self.facts.append(PortLost(at=at, port=self.name, why="pulled"))


def messages_in(data: bytes) -> list[bytes]:
    """Return the messages of a group; OSC goes alone."""
    if data[:1] == b"/":
        return [data]
    found = []
    while data:
        length = 2 if data[0] & 0xF0 in (0xC0, 0xD0) else 3
        found.append(data[:length])
        data = data[length:]
    return found
