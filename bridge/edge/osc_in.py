"""OSC in: one UDP socket, from which no packet is ever fatal and each is counted."""

from __future__ import annotations

import heapq
import ipaddress
import socket
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from math import inf

from pythonosc.osc_message import OscMessage, ParseError

from bridge.actions import Action
from bridge.errors import DeviceError
from bridge.events_foot import OscCounted
from bridge.foot.osc_asked import Asked, MalformedError, OscAsked, RefusedError
from bridge.foot.osc_packet import AT_ONCE, TYPES, messages_in, wall_of
from bridge.rig_foot import OscInput

PACKET_MAX = 65536
"""No UDP packet is longer, in bytes."""

READ_MAX = 8192
"""A longer packet, in bytes, counts as malformed: nothing that can be asked for takes so much."""

BUFFER = 4 * 2**20
"""Bytes that the system is asked to keep until they are read; it may keep fewer (Linux: net.core.rmem_max)."""

AT_A_TIME, BYTES_AT_A_TIME = 128, 16384
"""Packets, and bytes of them, that one look takes, so that a flood keeps no foot waiting: about 4 ms."""

AHEAD_S = 60.0
"""A message for later than that, in seconds, is refused."""

WAITING_MAX = 256
"""Messages that may wait for their time; more are refused."""

WHY_MAX = 160
"""Characters that are told of why a message was not done."""

A_SECOND, IN_A_ROW = 100.0, 50.0
"""Actions done per second on the average, and at once; more are refused. No hand is so fast, and the sender has to
keep its clocks meanwhile. What other machines ask for is counted apart from what this one does."""

RXQ_OVFL = 40
"""SO_RXQ_OVFL of Linux's asm-generic/socket.h: asks to be told how many packets were dropped."""


@dataclass(frozen=True, slots=True)
class Came:
    """What a message asked for.

    Attributes:
        at: Host time in seconds at which it came, or was to be done.
        asked: What for.
    """

    at: float
    asked: Asked


class OscIn:
    """The socket. Use `take` when it is readable, and when `next_due` has come.

    received = handled + refused + malformed + waiting, at any time. A bundle without messages counts as one handled.

    Args:
        osc_in: Where to listen.
        asked: Reads messages.
        wall: Tells wall time in seconds since 1970 UTC, in which time tags are written.

    Raises:
        DeviceError: The address is unknown here, or taken.

    Attributes:
        received: Messages, and packets that were none.
        handled: Messages that were done.
        refused: Messages that were not.
        malformed: Packets that were no OSC.
        lost: Packets that the system dropped, as far as it tells: it does with the next one that it does not drop.
        why: Why the newest of those refused or malformed was not done.
    """

    def __init__(self, osc_in: OscInput, asked: OscAsked, wall: Callable[[], float]) -> None:
        self._asked = asked
        self._wall = wall
        self._waiting: list[tuple[float, int, bool, list[Asked]]] = []
        self._numbers = count()
        self._credits = {True: _Credit(), False: _Credit()}  # of this machine, of others
        self.received = self.handled = self.refused = self.malformed = self.lost = 0
        self.why = ""
        self._socket = bound_socket(osc_in)

    @property
    def waiting(self) -> int:
        """How many messages wait for their time."""
        return len(self._waiting)

    def fileno(self) -> int:
        """Return the descriptor to wait on."""
        return self._socket.fileno()

    def port(self) -> int:
        """Return the UDP port that it listens at."""
        port: int = self._socket.getsockname()[1]
        return port

    def next_due(self) -> float:
        """Return when the next message that waits is to be done, in host seconds; inf for never."""
        return self._waiting[0][0] if self._waiting else inf

    def take(self, now: float) -> list[Came]:
        """Return what is asked for by now, at most `AT_A_TIME` packets of it.

        Args:
            now: Host time in seconds.
        """
        came = list(self._due(now))
        for packet, source in self._packets():
            try:
                if len(packet) > READ_MAX:
                    raise ValueError(f"a packet of {len(packet)} bytes")
                messages = list(messages_in(packet))
            except ValueError as error:
                self.received += 1
                self._spoil(error)
                continue
            self.received += max(1, len(messages))
            self.handled += not messages
            for tag, message in messages:
                came += self._take(message, tag, _is_local(source), now)
        return came

    def counted(self, at: float) -> OscCounted:
        """Return how much came so far, and what became of it."""
        return OscCounted(
            at=at,
            received=self.received,
            handled=self.handled,
            refused=self.refused,
            malformed=self.malformed,
            lost=self.lost,
            why=self.why,
        )

    def _refuse(self, why: str) -> None:
        self.refused += 1
        self.why = _plain(why)

    def _spoil(self, error: Exception) -> None:
        self.malformed += 1
        self.why = _plain(f"no OSC: {error}")

    def close(self) -> None:
        """Close the socket; what still waits for its time is refused."""
        self.refused += len(self._waiting)
        self._waiting.clear()
        self._socket.close()

    def _packets(self) -> Iterator[tuple[bytes, str]]:
        left = BYTES_AT_A_TIME
        for _ in range(AT_A_TIME):
            if left <= 0:
                return
            try:
                if sys.platform == "linux":
                    packet, told, _, address = self._socket.recvmsg(PACKET_MAX, socket.CMSG_SPACE(4))
                    for _, kind, data in told:
                        if kind == RXQ_OVFL:
                            self.lost = int.from_bytes(data, sys.byteorder)
                else:
                    packet, address = self._socket.recvfrom(PACKET_MAX)
            except BlockingIOError:
                return
            except OSError:  # as an answer of the network to nobody's packet; the next one is read
                continue
            left -= len(packet)
            yield packet, address[0]

    def _take(self, message: bytes, tag: int, is_local: bool, now: float) -> list[Came]:
        try:
            address, arguments = parsed(message)
            asked = self._asked.read(address, arguments, is_local=is_local)
        except (MalformedError, ParseError) as error:
            self._spoil(error)
            return []
        except RefusedError as error:
            self._refuse(str(error))
            return []
        ahead_s = 0.0 if tag == AT_ONCE else wall_of(tag) - self._wall()
        if ahead_s <= 0.0:
            return self._do(asked, is_local, now, now)
        if ahead_s > AHEAD_S or len(self._waiting) >= WAITING_MAX:
            self._refuse(f"{address:.60} was to be done more than {AHEAD_S:g} s later, or too many wait already")
        else:
            heapq.heappush(self._waiting, (now + ahead_s, next(self._numbers), is_local, asked))
        return []

    def _due(self, now: float) -> Iterator[Came]:
        while self.next_due() <= now:
            at, _, is_local, asked = heapq.heappop(self._waiting)
            yield from self._do(asked, is_local, at, now)

    def _do(self, asked: list[Asked], is_local: bool, at: float, now: float) -> list[Came]:
        # a switch that was let go never waits: it would stay closed
        price = sum(isinstance(one, Action) or one[1] != "up" for one in asked)
        if not self._credits[is_local].spend(price, now):
            self._refuse("too many at once")
            return []
        self.handled += 1
        return [Came(at, one) for one in asked]


class _Credit:
    def __init__(self) -> None:
        self._left, self._at = IN_A_ROW, -inf

    def spend(self, price: int, now: float) -> bool:
        """Return whether there is so much left, and take it."""
        self._left = min(IN_A_ROW, self._left + A_SECOND * max(0.0, now - self._at))
        self._at = max(now, self._at)
        if self._left < price:
            return False
        self._left -= price
        return True


def parsed(message: bytes) -> tuple[str, tuple[object, ...]]:
    """Return address and arguments of an OSC message; none if it has no type tags, as some old programs send.

    Raises:
        ParseError: It is none, or has a type tag that nobody knows.
    """
    try:
        begin = message.index(b"\0") // 4 * 4 + 4  # behind the address and its padding
        tags = message[begin:].partition(b"\0")[0].decode("ascii")
        if not TYPES.issuperset(tags[1:]):  # the library would only skip it, and say so on the terminal
            raise ParseError(f"type tags {tags!r:.40}")
        read = OscMessage(message)
        return read.address, tuple(read.params)
    except ParseError:
        raise
    except Exception as error:  # whatever a library makes of bytes from the network
        raise ParseError(str(error)) from error


def _plain(why: str) -> str:
    """Return words of which some may come from the network as one short line."""
    return "".join(letter if letter.isprintable() else "?" for letter in why[:WHY_MAX])


@lru_cache(64)
def _is_local(source: str) -> bool:
    address = ipaddress.ip_address(source.partition("%")[0])
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped or address).is_loopback


def bound_socket(osc_in: OscInput) -> socket.socket:
    """Return a socket that listens, and never blocks.

    Raises:
        DeviceError: The address is unknown here, or taken.
    """
    try:
        [(family, kind, protocol, _, address), *_] = socket.getaddrinfo(
            osc_in.host, osc_in.port, type=socket.SOCK_DGRAM, flags=socket.AI_PASSIVE
        )
        opened = socket.socket(family, kind, protocol)
    except OSError as error:
        raise _refusal(osc_in, error) from error
    try:
        opened.setblocking(False)
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER)
        if sys.platform == "linux":
            opened.setsockopt(socket.SOL_SOCKET, RXQ_OVFL, 1)
        opened.bind(address)
    except OSError as error:
        opened.close()
        raise _refusal(osc_in, error) from error
    return opened


def _refusal(osc_in: OscInput, error: OSError) -> DeviceError:
    return DeviceError(
        f"OSC cannot be listened for at {osc_in.host} port {osc_in.port} ({error.strerror or error}). Free the port, "
        "or give another one in [osc_in]"
    )
