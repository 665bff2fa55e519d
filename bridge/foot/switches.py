"""Which switch a message, a key or an OSC address belongs to, and whether it closes or opens it.

Source: MIDI 1.0 Detailed Specification, where a Note On with velocity 0 ends a note.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from bridge.rig_foot import Switch, TriggerKind

Way = Literal["down", "up", "touch"]
"""It closes, opens, or was pressed without anybody telling of its end."""

LENGTHS = {0x8: 3, 0x9: 3, 0xB: 3, 0xC: 2}
"""Bytes of a message, by the first half of its status byte, of those that can be a switch."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A MIDI message that could be a switch.

    Attributes:
        kind: Note, control or program.
        number: 0..127.
        channel: 1..16.
        value: Velocity or value, 0..127; 0 for the end of a note, 127 for a program.
    """

    kind: TriggerKind
    number: int
    channel: int
    value: int


def heard(data: bytes) -> Heard | None:
    """Return what a whole MIDI message says that a switch could; None for clock, System Exclusive and all others."""
    status = data[0] if data else 0
    if len(data) != LENGTHS.get(status >> 4) or any(byte > 127 for byte in data[1:]):
        return None
    channel = (status & 0xF) + 1
    match status >> 4:
        case 0x8:
            return Heard("note", data[1], channel, 0)
        case 0x9:
            return Heard("note", data[1], channel, data[2])
        case 0xB:
            return Heard("cc", data[1], channel, data[2])
    return Heard("program", data[1], channel, 127)


class Switches:
    """Finds the switches of a rig that something belongs to.

    A control closes its switch from `Switch.threshold` on, and opens it `Switch.hysteresis` below, 1 at least; between
    the two it stays as it is. Controls of a switch of any channel are told apart by channel.

    Args:
        switches: The switches of a rig.
    """

    def __init__(self, switches: Iterable[Switch]) -> None:
        self._midi: defaultdict[tuple[str, TriggerKind, int], list[Switch]] = defaultdict(list)
        self._words: defaultdict[tuple[TriggerKind, str], list[Switch]] = defaultdict(list)
        self._pressed: set[tuple[str, int]] = set()  # controls above their threshold, by switch and channel
        for switch in switches:
            trigger = switch.trigger
            if trigger.kind in ("key", "osc"):
                self._words[trigger.kind, trigger.word].append(switch)
            else:
                self._midi[switch.port, trigger.kind, trigger.number].append(switch)

    @property
    def ports(self) -> tuple[str, ...]:
        """The MIDI inputs that the switches name, each once."""
        return tuple(dict.fromkeys(port for port, _, _ in self._midi))

    @property
    def has_keys(self) -> bool:
        """Whether any key is a switch."""
        return any(kind == "key" for kind, _ in self._words)

    @property
    def addresses(self) -> tuple[str, ...]:
        """The OSC addresses that are switches, each once."""
        return tuple(word for kind, word in self._words if kind == "osc")

    def of_midi(self, port: str, data: bytes) -> list[tuple[Switch, Way]]:
        """Return which switches a whole MIDI message closes or opens.

        Args:
            port: The input, as the switches name it.
            data: One message, as RtMidi hands it over.
        """
        said = heard(data)
        if said is None:
            return []
        switches = self._midi.get((port, said.kind, said.number), ())
        ours = [switch for switch in switches if switch.channel in (None, said.channel)]
        if said.kind == "cc":
            return list(self._of_control(ours, said))
        way: Way = "touch" if said.kind == "program" else "down" if said.value else "up"
        return [(switch, way) for switch in ours]

    def of_key(self, key: str) -> list[tuple[Switch, Way]]:
        """Return which switches a key is. A terminal does not tell when a key is let go."""
        return [(switch, "touch") for switch in self._words.get(("key", key), ())]

    def of_osc(self, address: str, arguments: tuple[object, ...]) -> list[tuple[Switch, Way]]:
        """Return which switches an OSC message closes or opens: none or not 0 is closed, 0 or false is open.

        Args:
            address: One of `addresses`.
            arguments: Of the message; without any, nobody will tell when it is let go.

        Raises:
            ValueError: The first argument is neither number nor truth.
        """
        if arguments and not isinstance(arguments[0], (bool, int, float)):
            raise ValueError(f"{address} takes a number, not 0 for pressed and 0 for let go, or nothing at all")
        way: Way = "touch" if not arguments else "down" if arguments[0] else "up"
        return [(switch, way) for switch in self._words.get(("osc", address), ())]

    def lost(self, port: str) -> list[Switch]:
        """Forget how the controls of an input that is gone stood, and return its switches."""
        gone = [switch for (name, _, _), switches in self._midi.items() if name == port for switch in switches]
        names = {switch.name for switch in gone}
        self._pressed = {pressed for pressed in self._pressed if pressed[0] not in names}
        return gone

    def _of_control(self, switches: list[Switch], said: Heard) -> Iterator[tuple[Switch, Way]]:
        for switch in switches:
            key = (switch.name, said.channel)
            if said.value >= switch.threshold and key not in self._pressed:
                self._pressed.add(key)
                yield switch, "down"
            elif said.value <= switch.threshold - max(1, switch.hysteresis) and key in self._pressed:
                self._pressed.discard(key)
                yield switch, "up"
