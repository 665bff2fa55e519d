"""What loopers, cues, bars and meeting points say to the eye: short lines in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations

from bridge.send.beats import DeckBeats
from bridge.send.cues import CueView
from bridge.send.loopers import Loopers, LooperView
from bridge.send.meeting import Line, LineSpread, Meeting, deck_line, loop_line, meeting


def looper_line(view: LooperView) -> str:
    """Return how a looper stands."""
    text = f"{view.name}: {view.state}"
    if view.starts_in_s is not None:
        text += f", records in {view.starts_in_s:.1f} s"
    if view.closes_in_s is not None:
        text += f", closes in {view.closes_in_s:.1f} s"
    if view.apart_beats is not None and view.apart_ms is not None:
        ahead = "ahead" if view.apart_beats >= 0 else "behind"
        text += f", tape {abs(view.apart_beats):.2f} beats ({abs(view.apart_ms):.0f} ms) {ahead}"
    return text


def cue_line(view: CueView) -> str:
    """Return what a cue waits for."""
    soon = "" if view.in_s is None else f", in {view.in_s:.0f} s"
    return f"next cue {view.name}: {view.waits_for}{soon}"


def bar_line(deck: DeckBeats, now: float) -> str:
    """Return bar and beat of a deck; empty where nobody knows."""
    at = deck.bar_at(now)
    return "" if at is None else f"{deck.name}: bar {at[0]}, beat {at[1]}"


def meeting_line(one: str, other: str, met: Meeting, now: float) -> str:
    """Return when two lines meet."""
    ratio = "" if met.ratio is None else f", {met.ratio[0]}:{met.ratio[1]}"
    beats = "1 beat" if met.beats == 1 else f"{met.beats} beats"
    bars = "" if met.bars_at is None else f"; bars in {max(0.0, met.bars_at - now):.0f} s"
    return f"{one} and {other} meet in {max(0.0, met.at - now):.0f} s for {beats}{ratio}{bars}"


class Meetings:
    """When any two decks, or a loop and a deck, meet next: one pair a call, since the search takes up to a millisecond.

    Args:
        decks: The decks.
    """

    def __init__(self, decks: Iterable[DeckBeats]) -> None:
        self._decks = {deck.name: deck for deck in decks}
        self._spreads = {name: LineSpread() for name in self._decks}
        self._found: dict[tuple[str, str], Meeting] = {}
        self._turn = 0

    def hear(self, deck: str) -> None:
        """Take in that a deck was told anew."""
        stands = self._decks[deck].stands
        if stands is not None and stands.state == "following" and stands.tempo is not None and stands.beats is not None:
            self._spreads[deck].hear(stands.at, stands.beats, stands.tempo)

    def look(self, loopers: Loopers, now: float) -> None:
        """Look at the next pair."""
        lines = dict(self._lines(loopers, now))
        pairs = [pair for pair in combinations(lines, 2) if pair[0] in self._decks]
        self._found = {pair: met for pair, met in self._found.items() if pair in pairs and met.at >= now}
        if not pairs:
            return
        self._turn = (self._turn + 1) % len(pairs)
        one, other = pairs[self._turn]
        met = meeting(lines[one], lines[other], now)
        if met is None:
            self._found.pop((one, other), None)
        else:
            self._found[one, other] = met

    def lines(self, now: float) -> list[str]:
        """Return what is known, soonest first."""
        soonest = sorted(self._found.items(), key=lambda pair: pair[1].at)
        return [meeting_line(one, other, met, now) for (one, other), met in soonest]

    def _lines(self, loopers: Loopers, now: float) -> Iterator[tuple[str, Line]]:
        for name, deck in self._decks.items():
            line = deck_line(deck, self._spreads[name], now) if deck.heard else None
            if line is not None:
                yield name, line
        for name, (began_at, beats, seconds) in loopers.loops.items():
            loop = loop_line(began_at, beats, seconds)
            if loop is not None:
                yield f"loop of {name}", loop
