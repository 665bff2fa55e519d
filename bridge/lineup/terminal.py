"""The line-up on a terminal: short lines for a dark room, a meter while it listens, Enter to go on."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable
from typing import TextIO

import numpy as np

from bridge.events import SoundHeard
from bridge.lineup.findings import Finding, Well
from bridge.rig import Rig
from bridge.units import SILENCE_DB, level_db

SIGNS: dict[Well, tuple[str, str]] = {"well": ("well", "32"), "look": ("LOOK", "1;33"), "open": (" ?  ", "2")}
"""How a finding is marked, and its colour."""

WHAT = 16
"""Width of the column that says what was looked at."""

WIDTH, MARGIN = 78, " " * 8
"""Longest line in signs, and where text begins behind the mark."""

METER_DB, METER = 60.0, 20
"""The meter reaches so far down, in so many signs."""

EVERY_S = 0.1
"""Time between two pictures of the meter, in seconds."""

CLEAR = "\r\x1b[K"


class Terminal:
    """Where the walk is shown and asked.

    Args:
        rig: Its decks have a meter each.
        asks: Whether there is somebody to ask.
        out: Where lines go.
        read: Reads a line; raises EOFError at the end.
    """

    def __init__(self, rig: Rig, *, asks: bool, out: TextIO = sys.stdout, read: Callable[[], str] = input) -> None:
        self.asks = asks
        self._decks = rig.decks
        self._out = out
        self._read = read
        self._is_alive = out.isatty()
        self._shown_at = float("-inf")
        self._is_metering = False
        self._where = ""
        self._peaks = dict.fromkeys((deck.name for deck in rig.decks), 0.0)

    def head(self, text: str) -> None:
        """Say what comes now."""
        self._where = text
        self._line(f"\n{self._styled(text, '1')}")

    def say(self, text: str) -> None:
        """Say something, in lines that fit."""
        for part in text.split("\n"):
            self._line("\n".join(textwrap.wrap(part, WIDTH, break_long_words=False, break_on_hyphens=False)))

    def found(self, finding: Finding) -> None:
        """Show a finding, and what to do about it below."""
        sign, colour = SIGNS[finding.well]
        mark = self._styled(sign, colour)
        what = finding.what if finding.where == self._where else f"{finding.where}: {finding.what}"
        first, *rest = self._wrapped(f"{what:<{WHAT}} {finding.said}", WHAT + 1)
        self._line("\n".join([f"  {mark}  {first}", *(f"{MARGIN}{line}" for line in rest)]))
        for line in self._wrapped(f"{finding.todo}.", 0) if finding.todo else ():
            self._line(f"{MARGIN}{self._styled(line, '36')}")

    def ready(self, what: str) -> bool:
        """Ask for something to be done; return whether it was. Where nobody is asked, it counts as done."""
        if not self.asks:
            self._line(f"  {what}")
            return True
        answer = self._answer(f"  {what}\n  {self._styled('Enter, or n to leave it out:', '2')} ")
        return answer != "n"

    def agrees(self, question: str) -> bool | None:
        """Ask a question; None where nobody is asked, or does not know."""
        if not self.asks:
            return None
        answer = self._answer(f"  {question}: ")
        return None if answer == "?" else answer != "n"

    def meter(self, block: SoundHeard) -> None:
        """Show how loud each deck is, ten times a second."""
        if not self._is_alive:
            return
        for deck in self._decks:
            there = [channel - 1 for channel in deck.channels if channel <= block.samples.shape[1]]
            peak = float(np.abs(np.nan_to_num(block.samples[:, there])).max(initial=0.0))
            self._peaks[deck.name] = max(self._peaks[deck.name], peak)
        if block.at - self._shown_at < EVERY_S:
            return
        self._shown_at = block.at
        bars = "   ".join(f"{name} {_bar(level_db(peak))}" for name, peak in self._peaks.items())
        self._peaks = dict.fromkeys(self._peaks, 0.0)
        self._is_metering = True
        self._out.write(f"{CLEAR}  {bars}")
        self._out.flush()

    def _answer(self, question: str) -> str:
        self._out.write(f"{self._rest()}{question}")
        self._out.flush()
        return self._read().strip().lower()[:1]

    def _wrapped(self, text: str, indent: int) -> list[str]:
        return textwrap.wrap(text, WIDTH - len(MARGIN), subsequent_indent=" " * indent, drop_whitespace=True) or [""]

    def _line(self, text: str) -> None:
        self._out.write(f"{self._rest()}{text}\n")
        self._out.flush()

    def _rest(self) -> str:
        """Return what takes the meter away, if it is shown."""
        was_shown, self._is_metering = self._is_metering, False
        return CLEAR if was_shown else ""

    def _styled(self, text: str, code: str) -> str:
        return f"\x1b[{code}m{text}\x1b[0m" if self._is_alive else text


def _bar(db: float) -> str:
    filled = round(METER * max(0.0, 1 + max(db, SILENCE_DB) / METER_DB))
    return f"{'█' * filled}{'·' * (METER - filled)} {db:4.0f} dB"
