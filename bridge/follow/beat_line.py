"""The beats that are placed: a timeline, which of its beats comes next, and which were looked back at."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import floor

from bridge.follow.line import SAME_PLACE, Sight
from bridge.follow.timeline import Timeline

_LEAD = 4.0  # hops by which a beat is placed ahead of its time
_PASSED = 2  # hops by which a beat may have passed when it is placed
_FRESH = 8  # hops for which what was seen tells better than the line where the next beat falls
_SETTLED_AFTER = 7.0  # hops after a beat, at which the belief has taken it in
_STEADY = 38  # looks: 3 s, longer than a beat that stops is still believed


@dataclass(frozen=True, slots=True)
class Beat:
    """A beat fixed on the timeline.

    Attributes:
        frame: Where it falls, in frames of sound, with a fraction; later than the beat before.
        index: Beats since the follower began; grows by exactly 1.
        tempo: In bpm, at this beat.
        confidence: Probability that it is right, octaves aside, 0..1.
        known: Frames heard when it was placed; a beat is placed up to 40 ms ahead of its time.
    """

    frame: float
    index: int
    tempo: float
    confidence: float
    known: int


class BeatLine:
    """Lays a line through what the belief sees, and places beats on it.

    Args:
        rate: Frames per second.
        hop: Frames in a hop.

    Attributes:
        timeline: The newest straight piece of beats against frames; None before the first beat was found.
    """

    def __init__(self, rate: int, hop: int) -> None:
        self.timeline: Timeline | None = None
        self._rate, self._hop = rate, hop
        self._frame = self._hops = 0
        self._next = self._to_see = 0
        self._last = -1.0
        self._sight: Sight | None = None
        self._tempos: deque[float] = deque(maxlen=_STEADY)

    @property
    def kept(self) -> Timeline:
        """The timeline, where there is one for sure."""
        assert self.timeline is not None
        return self.timeline

    def pass_to(self, frame: int, hops: int) -> None:
        """Let time go on to the end of a hop."""
        self._frame, self._hops = frame, hops

    def as_sight(self) -> Sight:
        """Return the line, by its last beat that has passed, as if it had been seen."""
        last = self.kept.frame_of(floor(self.kept.beat_at(self._frame)))
        return Sight(self._hops, self.hop_of(last), self.kept.period / self._hop, 1.0)

    def hop_of(self, frame: float) -> float:
        """Return a frame of sound in hops, with a fraction."""
        return self._hops + (frame - self._frame) / self._hop

    def lay(self, sight: Sight, tempo: float) -> None:
        """Lay the line anew through the beats of what is seen, at a tempo in bpm."""
        self._lay(self._frame_at(sight.beat), tempo)
        self._sight = sight

    def go_at(self, tempo: float) -> None:
        """Go on from the last beat at another tempo in bpm; where the beats fall now must be seen again."""
        self._lay(self.kept.frame_of(self._next - 1), tempo)

    def turn_half(self) -> None:
        """Move all that comes by half a beat."""
        line = self.kept
        self._lay(line.frame - 0.5 * line.period, line.tempo)

    def hold(self) -> float:
        """Go on at the tempo from before the beat was on its way out, and return it in bpm."""
        tempo = self._tempos[0] if self._tempos else self.kept.tempo
        self.go_at(tempo)
        return tempo

    def lose_sight(self) -> None:
        """Take in that what was seen says nothing of what comes."""
        self._sight = None

    def see(self, sight: Sight | None) -> None:
        """Take in where the belief sees the beat, where it agrees with the line, and turn the line to it."""
        if sight is not None:
            self._sight = sight
        self._look_back()
        self._tempos.append(self.kept.tempo)

    def place(self, confidence: float) -> list[Beat]:
        """Return the beats whose time has come."""
        placed: list[Beat] = []
        while (frame := self._due()) <= self._frame + _LEAD * self._hop:
            if frame > self._last:
                placed.append(Beat(frame, self._next, self.kept.tempo, confidence, self._frame))
                self._last = frame
            self._next += 1
        return placed

    def _lay(self, frame: float, tempo: float) -> None:
        """Count on from the last beat that was placed: the next one lies half a period behind it or more, and ahead."""
        line = Timeline(self._rate, frame, self._next - 1, tempo)
        earliest = max(self._last + 0.5 * line.period, self._frame - _PASSED * self._hop)
        while line.frame_of(self._next) < earliest:
            line = Timeline(self._rate, line.frame, line.beat - 1, tempo)
        while line.frame_of(self._next) > max(self._last, self._frame) + 1.5 * line.period:
            line = Timeline(self._rate, line.frame, line.beat + 1, tempo)
        self.timeline = line
        self._to_see = self._next
        self._sight = None
        self._tempos.clear()

    def _frame_at(self, hop: float) -> float:
        return self._frame + (hop - self._hops) * self._hop

    def _due(self) -> float:
        """Return the frame of the next beat: where the belief sees it, else where the line puts it."""
        line = self.kept.frame_of(self._next)
        if self._sight is None or self._hops - self._sight.hop > _FRESH:
            return line
        seen = self._frame_at(self._sight.nearest(self.hop_of(line)))
        return seen if abs(seen - line) <= SAME_PLACE * self.kept.period and seen > self._last else line

    def _look_back(self) -> None:
        """Turn the line to what the belief makes of the beats that have passed."""
        while self._to_see < self._next:
            place = self.hop_of(self.kept.frame_of(self._to_see))
            if place > self._hops - _SETTLED_AFTER:
                return
            if self._sight is not None and self._sight.hop == self._hops:
                seen = self._sight.nearest(place)
                if abs(seen - place) <= SAME_PLACE * self.kept.period / self._hop:
                    self.kept.saw(self._to_see, self._frame_at(seen))
            self._to_see += 1
