"""What cues wait for: a deck that starts or stops, as far as its listener is to be believed, a tempo, a bar line."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Final

from bridge.events_foot import DeckStands
from bridge.rig_foot import CueTrigger, CueWhen
from bridge.send.beats import NEAR, DeckBeats
from bridge.units import clock_text, counted

RUNS_S = 2.0
"""So long a listener that was just started may take to hear that a tape runs, in seconds."""

BEAT_S = 20.0
"""So long its follower may take to find the beat again, in seconds."""

HYSTERESIS = 0.01
"""A tempo that came back by this share of a value has crossed it anew when it crosses it again."""

PENDING = 8
"""So many marks a cue counts bars from at a time; further ones are left out until one of them was fired for."""


class DeckHeard:
    """How one deck stands, for things that must happen once however often its listener is killed and started again.

    A new listener first says that nothing runs and no beat is there. That is believed once it has said otherwise
    before, or has gone on saying so for `RUNS_S` and `BEAT_S`. While nobody talks nothing changes.

    Attributes:
        runs: Whether the tape runs.
        following: Whether its beat is followed.
    """

    def __init__(self) -> None:
        self.runs = False
        self.following = False
        self._at = -inf
        self._still_from = -inf  # words from then on that nothing runs are believed,
        self._lost_from = -inf  # and that there is no beat

    def take(self, stands: DeckStands, fresh: bool) -> list[CueWhen]:
        """Take in a word, and return what happened by it: "starts", "stops", "beat returns".

        Args:
            stands: The word. One that is older than the newest is left out, unless it is ``fresh``.
            fresh: Whether it is the first of a listener.
        """
        if fresh:
            self._still_from, self._lost_from = stands.at + RUNS_S, stands.at + BEAT_S
        elif stands.at < self._at:
            return []
        self._at = stands.at
        ran, followed = self.runs, self.following
        hears = stands.state == "following"
        self.runs = stands.runs or (ran and stands.at < self._still_from)
        self.following = hears or (followed and self.runs and stands.at < self._lost_from)
        self._still_from = -inf if stands.runs else self._still_from
        self._lost_from = -inf if hears else self._lost_from
        happened: list[CueWhen] = [] if self.runs == ran else ["starts" if self.runs else "stops"]
        return [*happened, "beat returns"] if self.following and not followed else happened


class Crossing:
    """A tempo that crosses a value. The first one that is heard only tells from which side.

    Args:
        trigger: With ``when`` "above" or "below".
    """

    def __init__(self, trigger: CueTrigger) -> None:
        self._trigger: Final = trigger
        self._beyond: bool | None = None

    def take(self, stands: DeckStands) -> bool:
        """Take in how the deck stands; return whether the tempo crossed by it. Only what is followed counts."""
        if stands.state != "following" or stands.tempo is None:
            return False
        sign = 1 if self._trigger.when == "above" else -1
        past = sign * (stands.tempo / self._trigger.tempo - 1)
        crossed = self._beyond is False and past > 0
        if self._beyond is None or past > 0 or past < -HYSTERESIS:
            self._beyond = past > 0
        return crossed


@dataclass(slots=True)
class _Mark:
    at: float
    beat: float | None = None
    line: float | None = None  # the bar line that lies so many bars behind it
    target: float | None = None  # that line, or a later one if another mark has it


class BarsAfterMark:
    """Bar lines that lie so many bars behind the first bar line at or after a mark.

    They move with the deck's beats and with where bar one is said to be. A moment that had passed before anybody knew
    the bars, or said that they begin there, is made up for on the next bar line. No two moments fall on one bar line.

    Args:
        trigger: With ``when`` "bars after mark".
        deck: Its deck.
    """

    def __init__(self, trigger: CueTrigger, deck: DeckBeats) -> None:
        self._trigger: Final = trigger
        self._deck: Final = deck
        self._marks: list[_Mark] = []
        self._fired_on = -inf

    @property
    def marked(self) -> bool:
        """Whether there was a mark that it still counts from."""
        return bool(self._marks)

    def mark(self, text: str, at: float) -> None:
        """Take in a mark at a host time in seconds."""
        if text.startswith(self._trigger.mark) and len(self._marks) < PENDING:
            self._marks.append(_Mark(at))
            self.moment(at)

    def moment(self, now: float) -> float:
        """Return the host time in seconds of the next of its moments, perhaps in the past; inf for none."""
        for mark in self._marks:
            self._aim(mark, now)
        targets = [mark.target for mark in self._marks if mark.target is not None]
        return self._deck.at_of(min(targets)) if targets else inf

    def take(self) -> None:
        """Take in that the next of its moments is over."""
        mark = min((mark for mark in self._marks if mark.target is not None), key=lambda mark: mark.target or 0.0)
        assert mark.target is not None
        self._fired_on = mark.target
        self._marks.remove(mark)

    def lacks(self) -> str:
        """Return in words what is missing to count the bars; empty for nothing."""
        if not self._deck.known:
            return f"{self._deck.name} has no beat yet"
        return "" if self._deck.bars_known else f'bar one is unknown, press "this is one" on {self._deck.name}'

    def _aim(self, mark: _Mark, now: float) -> None:
        deck = self._deck
        if not (deck.known and deck.bars_known):
            mark.line = mark.target = None
            return
        if mark.beat is None:
            mark.beat = deck.beat_at(mark.at) or 0.0
        behind = self._trigger.bars * deck.bar
        was, mark.line = mark.line, self._line_at(deck.at_of(mark.beat)) + behind
        if mark.line != was and mark.line < (deck.beat_at(now) or 0.0) - NEAR and now > mark.at:
            mark.line = self._line_at(now)
            mark.beat = mark.line - behind
        mark.target = mark.line
        if mark.target < self._fired_on + deck.bar / 2:
            mark.target = self._line_at(deck.at_of(self._fired_on + deck.bar / 2))

    def _line_at(self, at: float) -> float:
        line = self._deck.next_start(-1, at)
        assert line is not None  # its bars are known
        return line


def words_of(trigger: CueTrigger) -> str:
    """Return a trigger as people and rigs write it."""
    deck = trigger.deck
    match trigger.when:
        case "time":
            return f"at {clock_text(trigger.seconds)}"
        case "bars after mark":
            return f"{counted(trigger.bars, 'bar')} after {trigger.mark} on {deck}"
        case "beat returns":
            return f"beat returns on {deck}"
        case "above" | "below":
            return f"{deck} {trigger.when} {trigger.tempo:g}"
        case "by hand":
            return "by hand"
    return f"{deck} {trigger.when}"
