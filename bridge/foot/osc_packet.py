"""The frame of OSC packets: which messages a packet holds, and for when.

Source: OSC 1.0 Specification, "OSC Packets" and "OSC Bundles". Only the frame is read here: a library that reads whole
bundles may be led in circles by an element of negative length.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

BUNDLE = b"#bundle\0"

DEPTH_MAX = 8
"""Bundles within bundles, at most."""

AT_ONCE = 1
"""The time tag that means now."""

EPOCH_S = 2_208_988_800
"""Seconds from 1900, where time tags begin, to 1970. Source: OSC 1.0, as NTP (RFC 5905)."""

TYPES = frozenset("ifsbhdtTFNrm[]")
"""Type tags that can be read; a message with another one is no message."""


def messages_in(packet: bytes, depth: int = 0, tag: int = AT_ONCE) -> Iterator[tuple[int, bytes]]:
    """Yield each message of a packet with the time tag of the bundle around it; `AT_ONCE` without one.

    A bundle within another is never before it.

    Args:
        packet: As it came.
        depth: How many bundles are around it.
        tag: Of the bundle around it.

    Raises:
        ValueError: It is neither message nor bundle, or a length in it is wrong.
    """
    if not packet or len(packet) % 4:
        raise ValueError(f"a packet of {len(packet)} bytes is no OSC: a multiple of four is")
    if packet.startswith(b"/"):
        yield tag, packet
        return
    if not packet.startswith(BUNDLE) or len(packet) < 16 or depth > DEPTH_MAX:
        raise ValueError("neither an OSC message nor a bundle, or too many in each other")
    tag = max(tag, *struct.unpack_from(">Q", packet, 8))
    place = 16
    while place < len(packet):
        (length,) = struct.unpack_from(">i", packet, place)
        place += 4
        if not 0 < length <= len(packet) - place:
            raise ValueError(f"an element of {length} bytes is no part of the bundle")
        yield from messages_in(packet[place : place + length], depth + 1, tag)
        place += length


def wall_of(tag: int) -> float:
    """Return the wall time of a time tag in seconds since 1970 UTC."""
    return float(tag / 2**32 - EPOCH_S)
