"""A MIDI parser that forgives nothing, for the tests: every byte must be where MIDI 1.0 allows it.

It takes a stream of bytes as a cable carries it. System real-time bytes may fall between any two bytes, inside other
messages too; they are messages of their own, and leave running status alone. Everything else that is not by the letter
raises: an undefined status, data without a status, a message cut short by another, a system exclusive left open.

Source: MIDI 1.0 Detailed Specification 4.2, "Data Format", and its tables of status bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

REAL_TIME = {0xF8: "clock", 0xFA: "start", 0xFB: "continue", 0xFC: "stop", 0xFE: "active sensing", 0xFF: "reset"}
CHANNEL = {
    0x80: ("note off", 2), 0x90: ("note on", 2), 0xA0: ("key pressure", 2), 0xB0: ("control", 2),
    0xC0: ("program", 1), 0xD0: ("pressure", 1), 0xE0: ("bend", 2),
}  # fmt: skip
COMMON = {0xF1: ("time code", 1), 0xF2: ("song position", 2), 0xF3: ("song select", 1), 0xF6: ("tune", 0)}


class NotMidiError(Exception):
    """The bytes are not MIDI 1.0 by the letter."""


@dataclass(frozen=True)
class Heard:
    """One message.

    Attributes:
        kind: Its name in the tables above.
        data: Its data bytes.
        channel: 1..16; 0 for a system message.
        inside: Whether it is a real-time byte that came inside another message.
    """

    kind: str
    data: tuple[int, ...] = ()
    channel: int = 0
    inside: bool = False


@dataclass
class StrictParser:
    """Parses a stream, byte by byte.

    Attributes:
        heard: The messages so far, in the order in which they were complete.
    """

    heard: list[Heard] = field(default_factory=list)
    _status: int = 0
    _open: bool = False  # a message has begun and is not whole
    _data: list[int] = field(default_factory=list)

    def feed(self, stream: bytes) -> StrictParser:
        for byte in stream:
            self._byte(byte)
        return self

    def end(self) -> list[Heard]:
        """Return all messages; the stream must not end inside one."""
        if self._open:
            raise NotMidiError(f"the stream ends inside {self._status:02x} {bytes(self._data).hex()}")
        return self.heard

    def _byte(self, byte: int) -> None:
        if byte >= 0xF8:
            if byte not in REAL_TIME:
                raise NotMidiError(f"{byte:02x} is undefined")
            self.heard.append(Heard(REAL_TIME[byte], inside=self._open))
        elif byte >= 0x80:
            self._begin(byte)
        elif self._status == 0:
            raise NotMidiError(f"data {byte:02x} without a status")
        else:
            self._open = True  # running status
            self._data.append(byte)
            self._complete()

    def _begin(self, status: int) -> None:
        if status == 0xF7 and self._status == 0xF0:
            self.heard.append(Heard("exclusive", tuple(self._data)))
            self._status, self._open, self._data = 0, False, []
            return
        if self._open:
            raise NotMidiError(f"{status:02x} cuts {self._status:02x} {bytes(self._data).hex()} short")
        if status >= 0xF0 and status not in COMMON and status != 0xF0:
            raise NotMidiError(f"{status:02x} is undefined here")
        self._status, self._open = status, True
        self._complete()

    def _complete(self) -> None:
        if self._status == 0xF0:
            return
        kind, length = COMMON[self._status] if self._status >= 0xF0 else CHANNEL[self._status & 0xF0]
        if len(self._data) < length:
            return
        channel = 0 if self._status >= 0xF0 else (self._status & 0x0F) + 1
        self.heard.append(Heard(kind, tuple(self._data), channel))
        self._data, self._open = [], False
        if self._status >= 0xF0:
            self._status = 0  # system common ends running status


def parse(stream: bytes) -> list[Heard]:
    """Return the messages of a whole stream.

    Raises:
        NotMidiError: It is not MIDI 1.0 by the letter.
    """
    return StrictParser().feed(stream).end()
