"""The link between the sender and the listener: facts and a few words, as JSON lines over a pair of sockets."""

from __future__ import annotations

import json
import socket
from collections import OrderedDict
from dataclasses import dataclass
from math import inf
from typing import Any

from bridge.events import Fact, PedalTold
from bridge.events_foot import DeckStands, StageStands
from bridge.events_hand import Hand
from bridge.records import as_record, from_record

ALIVE_EVERY_S = 0.5
"""Time between two signs of life in seconds."""

WAITING_MAX = 4096
"""Facts that may wait on one side for the other to read."""

LINE_MAX = 65536
"""Longest line in bytes; what is longer is no message of ours."""

READ_AT_ONCE = 16384
"""Bytes taken in by one `Link.receive`, so that a flood does not hold up the clocks: about 100 facts, 2 ms."""


@dataclass(frozen=True, slots=True)
class Alive:
    """A sign of life.

    Attributes:
        heard: Number of the newest fact that the other side sent and this one has dealt with; 0 for none.
    """

    heard: int = 0


@dataclass(frozen=True, slots=True)
class EndAsked:
    """The other side is to end the set.

    Attributes:
        why: Who or what asked.
    """

    why: str


@dataclass(frozen=True, slots=True)
class PortsGone:
    """Which MIDI outputs are gone, for a listener that was not there when they were lost.

    Attributes:
        ports: The ports' names as the rig has them.
    """

    ports: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Standing:
    """What stands by hand, for a listener that was not there when it was done.

    Attributes:
        hands: What was done, and was not undone since.
    """

    hands: tuple[Hand, ...]


LinkMessage = Fact | Alive | EndAsked | PortsGone | Standing
"""What a link carries."""


class Link:
    """One end of the link. Nothing here blocks; each end belongs to one thread.

    What cannot be sent at once waits. A newer order (PedalTold) takes the place of one that still waits for the same
    pedal, and so does a newer word of the same kind, or of how the same deck stands; when `WAITING_MAX` others wait,
    the oldest of those is dropped and counted: orders and words never are. A link may be handed to a process of
    multiprocessing while that is spawned.

    Args:
        connection: A connected stream socket, which the link owns from now on.

    Attributes:
        closed: Whether the other side is gone, or sent what is no message; what came before was handed out.
        why_closed: In words; empty while open.
        dropped: How many facts were dropped because the other side did not read.
    """

    def __init__(self, connection: socket.socket) -> None:
        connection.setblocking(False)
        self._socket = connection
        self._waiting: OrderedDict[object, bytes] = OrderedDict()
        self._partial = b""  # the rest of a line of which the other side has the beginning
        self._incoming = b""
        self._sent = 0
        self._heard = 0
        self._next_alive = -inf
        self._mute = False  # the other side takes nothing any more, but may have said something yet to be read
        self.closed = False
        self.why_closed = ""
        self.dropped = 0

    @classmethod
    def pair(cls) -> tuple[Link, Link]:
        """Return the two ends of a new link."""
        one, other = socket.socketpair()
        return cls(one), cls(other)

    def __reduce__(self) -> tuple[type[Link], tuple[socket.socket]]:
        return Link, (self._socket,)

    def fileno(self) -> int:
        """Return the descriptor to wait on: readable when `receive` has something, or when the link closed."""
        return self._socket.fileno()

    @property
    def waiting(self) -> bool:
        """Whether something waits for the other side to read; `flush` when the descriptor is writable."""
        return bool(self._partial or self._waiting)

    def send(self, message: LinkMessage) -> int:
        """Send a message, or let it wait.

        Returns:
            Its number, if it is a fact: counted from 1 on each side. 0 for a word.
        """
        number = 0
        key: object
        if isinstance(message, Alive):
            key, record = "alive", {"word": "alive", "heard": message.heard}
        elif isinstance(message, EndAsked):
            key, record = "end", {"word": "end", "why": message.why}
        elif isinstance(message, PortsGone):
            key, record = "gone", {"word": "gone", "ports": message.ports}
        elif isinstance(message, Standing):
            key, record = "standing", {"word": "standing", "hands": [as_record(hand) for hand in message.hands]}
        else:
            number = self._sent = self._sent + 1
            key = _key(message, number)
            record = {"n": number} | as_record(message)
        if not self._mute:
            self._waiting.pop(key, None)
            self._waiting[key] = json.dumps(record, separators=(",", ":")).encode() + b"\n"
            self._bound()
            self.flush()
        return number

    def keep_alive(self, now: float) -> None:
        """Send a sign of life if half a second has passed since the last; call it a few times a second.

        As `vouch`, it says that what `receive` returned is in the journal.
        """
        if now >= self._next_alive:
            self._next_alive = now + ALIVE_EVERY_S
            self.vouch()
        else:
            self.flush()

    def vouch(self) -> None:
        """Say that every fact which `receive` returned was dealt with, so that the other side may forget it."""
        self.send(Alive(self._heard))

    def flush(self) -> None:
        """Send of what waits as much as the other side takes now."""
        while self._partial or self._waiting:
            self._partial = self._partial or self._waiting.popitem(last=False)[1]
            try:
                self._partial = self._partial[self._socket.send(self._partial) :]
            except BlockingIOError:
                return
            except OSError:
                self._mute, self._partial = True, b""
                self._waiting.clear()

    def receive(self) -> list[LinkMessage]:
        """Return what has come, oldest first, at most about a hundred messages; empty when nothing has."""
        if self.closed:
            return []
        try:
            data = self._socket.recv(READ_AT_ONCE)
        except BlockingIOError:
            return []
        except OSError as error:
            self._end(str(error))
            return []
        if not data:
            self._end("the other side is gone")
            return []
        *lines, self._incoming = (self._incoming + data).split(b"\n")
        messages: list[LinkMessage] = []
        try:
            if len(self._incoming) > LINE_MAX:
                raise ValueError(f"a line of more than {LINE_MAX} bytes")
            for line in lines:
                messages.append(self._read(line))
        except (ValueError, RecursionError) as error:
            self._end(f"what came is no message: {error}")
        return messages

    def close(self) -> None:
        """End this side; what still waits is lost."""
        self._end("closed here")
        self._socket.close()

    def _read(self, line: bytes) -> LinkMessage:
        record: Any = json.loads(line)
        match record:
            case {"word": "alive", "heard": int(heard)}:
                return Alive(heard)
            case {"word": "end", "why": str(why)}:
                return EndAsked(why)
            case {"word": "gone", "ports": [*ports]} if all(isinstance(port, str) for port in ports):
                return PortsGone(tuple(ports))
            case {"word": "standing", "hands": [*hands]}:
                facts = [from_record(hand) for hand in hands]
                return Standing(tuple(fact for fact in facts if isinstance(fact, Hand)))
            case {"n": int(number)}:
                fact = from_record({key: value for key, value in record.items() if key != "n"})
                self._heard = number
                return fact
        raise ValueError(f"{record!r:.80}")

    def _bound(self) -> None:
        if len(self._waiting) > WAITING_MAX:
            oldest = next((key for key in self._waiting if isinstance(key, int)), None)
            if oldest is not None:
                del self._waiting[oldest]
                self.dropped += 1

    def _end(self, why: str) -> None:
        if not self.closed:
            self.closed, self.why_closed = True, why


def _key(fact: Fact, number: int) -> object:
    """Return what a fact that waits gives way to, if that comes later; a number for nothing."""
    if isinstance(fact, PedalTold):
        return ("order", fact.pedal)
    if isinstance(fact, StageStands):
        return "stage"
    return ("stands", fact.deck) if isinstance(fact, DeckStands) else number
