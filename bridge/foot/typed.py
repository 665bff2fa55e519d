"""What a terminal sends when keys are pressed, as names of keys.

Source: ECMA-48 (control sequences), and common practice of terminals for what arrows and other keys send.
"""

from __future__ import annotations

import re
from math import inf

ESCAPE_S = 0.03
"""An escape that nothing follows within so many seconds is the key; else it begins what another key sends."""

REPEAT_S = 0.1
"""A key that comes again within so many seconds is held down, and is told once: terminals tell of no release."""

_NAMED = {
    0x20: "space",
    0x0D: "enter",
    0x0A: "enter",
    0x09: "tab",
    0x7F: "backspace",
    0x08: "backspace",
    **{ord(sign): sign for sign in "abcdefghijklmnopqrstuvwxyz0123456789"},
    **{ord(sign): sign.lower() for sign in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"},
}
_ARROWS = {ord("A"): "up", ord("B"): "down", ord("C"): "right", ord("D"): "left"}

_SEQUENCE = re.compile(rb"\x1b(?:\[[0-?]*[ -/]*([@-~])|O([@-~]))")
_BEGUN = re.compile(rb"\x1b(?:\[[0-?]*[ -/]*|O)?\Z")

_LONGEST = 32
"""Bytes of a sequence; what goes on longer is none."""


class Typed:
    """Reads the bytes of one terminal. Upper case counts as lower case; keys that have no name tell nothing."""

    def __init__(self) -> None:
        self._begun = b""
        self._begun_at = inf
        self._last = ("", -inf)

    def feed(self, data: bytes, at: float) -> list[str]:
        """Take in what came at ``at``, in host seconds, and return the keys that were pressed, in order."""
        keys = self.due(at)
        data, self._begun, self._begun_at = self._begun + data, b"", inf
        place = 0
        while place < len(data):
            rest = data[place : place + _LONGEST]
            if found := _SEQUENCE.match(rest):
                keys += self._pressed(_ARROWS.get((found[1] or found[2])[0]), at)
                place += found.end()
            elif place + len(rest) == len(data) and _BEGUN.match(rest):
                self._begun, self._begun_at = rest, at
                break
            else:
                keys += self._pressed("escape" if data[place] == 0x1B else _NAMED.get(data[place]), at)
                place += 1
        return keys

    def next_due(self) -> float:
        """Return when `due` will tell a key, in host seconds; inf for never."""
        return self._begun_at + ESCAPE_S

    def due(self, now: float) -> list[str]:
        """Return what is told by time alone: an escape that nothing followed."""
        if not now >= self.next_due():
            return []
        at, self._begun, self._begun_at = self._begun_at, b"", inf
        return self._pressed("escape", at)

    def _pressed(self, key: str | None, at: float) -> list[str]:
        if key is None:
            return []
        before, self._last = self._last, (key, at)
        return [] if before[0] == key and at - before[1] < REPEAT_S else [key]
