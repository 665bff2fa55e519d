"""The wire bytes of what is sent: MIDI 1.0 messages, groups of them, and OSC 1.0 messages.

Channels are counted from 1 as pedals print them; all other numbers from 0 as the standard counts them. No running
status is used, so that every message stands alone wherever real-time bytes fall.

Source: MIDI 1.0 Detailed Specification, document version 4.2; Open Sound Control 1.0 Specification, 2002.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable

from bridge.rig_foot import Wire

CLOCK = b"\xf8"
"""Timing Clock, 24 to a quarter note; may fall between the bytes of another message."""

START = b"\xfa"
"""Play from the beginning; the first Timing Clock behind it is the first moment of the song."""

CONTINUE = b"\xfb"
"""Play on from the song position; the first Timing Clock behind it is that moment."""

STOP = b"\xfc"
"""Stop playing; the song position is kept."""

TICKS_PER_SIXTEENTH = 6
"""Timing Clocks in one unit of the song position, a sixteenth note."""

SONG_POSITIONS = 1 << 14
"""Song positions are 0 to one less than this."""

START_TO_CLOCK_S = 0.001
"""Least time from Start or Continue to the next Timing Clock, so that a receiver can make ready."""


def song_position(sixteenths: int) -> bytes:
    """Return a Song Position Pointer; to be sent only while the receiver is stopped.

    Args:
        sixteenths: Sixteenth notes since the beginning of the song, 0..16383.

    Raises:
        ValueError: ``sixteenths`` is outside that range.
    """
    return bytes((0xF2, *reversed(_halves("a song position", sixteenths))))


def note_on(channel: int, note: int, velocity: int = 127) -> bytes:
    """Return a Note On.

    Raises:
        ValueError: ``channel`` is not 1..16, ``note`` not 0..127, or ``velocity`` not 1..127: 0 would be a Note Off.
    """
    return _channel_message(0x90, channel, _within("note", note, 0, 127), _within("velocity", velocity, 1, 127))


def note_off(channel: int, note: int) -> bytes:
    """Return a Note Off, with the release velocity 64 that senders without one use.

    Raises:
        ValueError: ``channel`` is not 1..16, or ``note`` not 0..127.
    """
    return _channel_message(0x80, channel, _within("note", note, 0, 127), 64)


def control_change(channel: int, controller: int, value: int) -> bytes:
    """Return a Control Change.

    Raises:
        ValueError: ``channel`` is not 1..16, ``controller`` not 0..119 (above are channel modes), or ``value`` not
            0..127.
    """
    return _channel_message(0xB0, channel, _within("controller", controller, 0, 119), _within("value", value, 0, 127))


def control_change_14(channel: int, controller: int, value: int) -> bytes:
    """Return a controller of 14 bits as the group of its two messages: the coarse half, then the fine one.

    A receiver clears the fine half when the coarse one comes, so that this order has no third value between.

    Args:
        channel: 1..16.
        controller: Number of the coarse half, 0..31; the fine one is 32 above it.
        value: 0..16383.

    Raises:
        ValueError: One is outside its range.
    """
    coarse, fine = _halves("value", value)
    controller = _within("controller of 14 bits", controller, 0, 31)
    return control_change(channel, controller, coarse) + control_change(channel, controller + 32, fine)


def nrpn(channel: int, parameter: int, value: int) -> bytes:
    """Return a non-registered parameter as the group of its four messages: its number, then its value.

    Number and value go coarse half first. The number goes out each time, so that nothing rests on what another program
    selected.

    Args:
        channel: 1..16.
        parameter: 0..16383.
        value: 0..16383.

    Raises:
        ValueError: One is outside its range.
    """
    numbers = zip((99, 98, 6, 38), (*_halves("parameter", parameter), *_halves("value", value)), strict=True)
    return b"".join(control_change(channel, controller, half) for controller, half in numbers)


def program_change(channel: int, program: int) -> bytes:
    """Return a Program Change.

    Raises:
        ValueError: ``channel`` is not 1..16, or ``program`` not 0..127.
    """
    return _channel_message(0xC0, channel, _within("program", program, 0, 127))


def osc_message(address: str, *values: float | int | str) -> bytes:
    """Return an OSC message: float32 for a float, int32 for an int, a string for text.

    Raises:
        ValueError: The address does not begin with a slash or is not printable ASCII, or a value does not fit its type.
    """
    if not re.fullmatch(r"/[!-~]*", address):
        raise ValueError(f"an OSC address is printable ASCII behind a slash, got {address!r}")
    tags, body = ",", b""
    for value in values:
        if isinstance(value, str):
            tags, body = tags + "s", body + _osc_string(value)
            continue
        kind = "f" if isinstance(value, float) else "i"
        try:
            tags, body = tags + kind, body + struct.pack(f">{kind}", value)
        except (struct.error, OverflowError) as error:
            raise ValueError(f"{value!r} does not fit 32 bits of OSC") from error
    return _osc_string(address) + _osc_string(tags) + body


def wire_bytes(wires: Iterable[Wire], channel: int) -> bytes:
    """Return the bytes of messages that a user wrote, as one group: all of them MIDI, or a single one of OSC.

    Args:
        wires: In the order in which they are sent.
        channel: MIDI channel, 1..16.

    Raises:
        ValueError: A number is outside its range, or OSC is mixed with other messages.
    """
    group = list(wires)
    if len(group) > 1 and any(wire.kind == "osc" for wire in group):
        raise ValueError("an OSC message goes alone, not in a group")
    return b"".join(_wire_bytes(wire, channel) for wire in group)


def hanging_notes(wires: Iterable[Wire], channel: int) -> bytes:
    """Return the Note Offs of the notes that a group of messages leaves sounding; empty where there are none."""
    notes: dict[int, None] = {}
    for wire in wires:
        if wire.kind == "note":
            notes[wire.number] = None
        elif wire.kind == "note off":
            notes.pop(wire.number, None)
    return b"".join(note_off(channel, note) for note in notes)


def _wire_bytes(wire: Wire, channel: int) -> bytes:
    match wire.kind:
        case "note":
            return note_on(channel, wire.number, wire.value)
        case "note off":
            return note_off(channel, wire.number)
        case "cc":
            return control_change(channel, wire.number, wire.value)
        case "program":
            return program_change(channel, wire.number)
        case "sysex":
            return wire.data
        case "osc":
            return osc_message(wire.address, *wire.arguments)
    return {"start": START, "stop": STOP, "continue": CONTINUE}[wire.kind]


def _osc_string(text: str) -> bytes:
    """Return the text with one to four zero bytes behind it, a multiple of four in all."""
    try:
        data = text.encode("ascii")
    except UnicodeEncodeError as error:
        raise ValueError(f"a string of OSC is ASCII, got {text!r}") from error
    if b"\0" in data:
        raise ValueError(f"a string of OSC ends at a zero byte, got {text!r}")
    return data + bytes(4 - len(data) % 4)


def _channel_message(status: int, channel: int, *data: int) -> bytes:
    return bytes((status | _within("channel", channel, 1, 16) - 1, *data))


def _halves(name: str, value: int) -> tuple[int, int]:
    """Return the upper and the lower seven of 14 bits."""
    return _within(name, value, 0, SONG_POSITIONS - 1) >> 7, value & 0x7F


def _within(name: str, value: int, low: int, high: int) -> int:
    if not low <= value <= high:
        raise ValueError(f"{name} must be {low}..{high}, got {value!r}")
    return value
