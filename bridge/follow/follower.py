"""Hears one deck and keeps one beat: hops in, beats and changes of state out.

States and what moves a follower between them:

==========  =====================================================  =========
from        what happens                                           to
==========  =====================================================  =========
any         no signal for a second (`bridge.follow.gate`)          idle
idle        a signal                                               listening
listening   one pulse stays the strongest for a second and a half  following
following   three beats in a row pass without an onset near them   holding
following   another pulse is stronger for a second and a half      following
holding     one pulse stays the strongest for a second and a half  following
==========  =====================================================  =========
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import log2
from statistics import median

import numpy as np

from bridge.events import FollowerState
from bridge.follow import belief
from bridge.follow.activation import LATENESS, MEMORY, Activation
from bridge.follow.belief import Pulse
from bridge.follow.features import Hop, hop_frames
from bridge.follow.gate import Gate
from bridge.follow.prior import SAME_TEMPO, Prior, octave_gap
from bridge.follow.timeline import Timeline
from bridge.rig import Deck

_BELIEVE_EVERY = 16  # hops: 0.19 s
_PULSES = 10
_AGREEING = 8  # of the last ten pulses, so many must be of one tempo: a second and a half
_AGREEING_AGAIN = 6
_SAME_PULSE = log2(1.02)
_FIRM = 0.40  # at six seconds of sound; chance likeness grows as the inverse root of what was heard
_FIRM_AGAIN = 0.28
_RECENT = 300  # hops: 3.5 s, in which another pulse must show itself
_RIVAL_OVER_HELD = 1.4
_REACH = 0.12  # of a period: how far from its beat an onset may fall
_HEARD = 0.35  # of the usual height of an onset on a beat: less is no onset
_HEARD_AT_FIRST = 0.25  # of the highest
_MISSES = 3
_SEEDS = 5  # beats back, at which onsets are looked for when a pulse is caught
_HEIGHTS = 12


@dataclass(frozen=True, slots=True)
class Beat:
    """A beat fixed on the timeline.

    Attributes:
        frame: Where it falls, in frames of sound, with a fraction; later than the beat before.
        index: Beats since the follower began; grows by exactly 1.
        tempo: In bpm, at this beat.
        confidence: 0 (a guess) to 1.
        known: Frames heard when it was placed.
    """

    frame: float
    index: int
    tempo: float
    confidence: float
    known: int


@dataclass(frozen=True, slots=True)
class StateMove:
    """The follower went from one state to another.

    Attributes:
        frame: Frames heard when it did.
        was: The state before.
        now: The state from then on.
    """

    frame: int
    was: FollowerState
    now: FollowerState


class Follower:
    """Follows the beat of one deck.

    Args:
        deck: The deck; its tempo range says in which octave a pulse is read.
        rate: Frames per second.

    Attributes:
        state: One of idle, listening, following, holding.
        confidence: 0 (no beat) to 1.
        timeline: The newest straight piece of beats against frames; None before the first beat was found.
    """

    def __init__(self, deck: Deck, rate: int) -> None:
        self.state: FollowerState = "idle"
        self.confidence = 0.0
        self.timeline: Timeline | None = None
        self._rate = rate
        self._hop_frames = hop_frames(rate)
        self._gate = Gate(rate)
        self._activation = Activation()
        self._prior = Prior(deck.tempo_range)
        self._allowed = np.array([self._prior.fold(self._tempo_of(lag)) is not None for lag in belief.lags()])
        self._frame = 0
        self._hops = 0
        self._since = 0
        self._pulses: deque[Pulse | None] = deque(maxlen=_PULSES)
        self._heights: deque[float] = deque(maxlen=_HEIGHTS)
        self._unseen: deque[int] = deque()
        self._misses = 0
        self._next = 0
        self._last_frame = -1.0

    @property
    def tempo(self) -> float | None:
        """Tempo in bpm that is followed or held; None while idle or listening."""
        if self.timeline is None or self.state not in ("following", "holding"):
            return None
        return self.timeline.tempo

    def hear(self, hop: Hop) -> list[Beat | StateMove]:
        """Take in one hop and return what it showed, in order."""
        self._frame = hop.frame
        self._hops += 1
        shown: list[Beat | StateMove] = []
        if self._gate.hear(hop):
            shown += self._open() if self._gate.is_open else self._enter("idle")
        self._activation.hear(hop)
        if self.state != "idle" and self._hops % _BELIEVE_EVERY == 0:
            shown += self._follow_on() if self.state == "following" else self._find()
        if self.state == "following":
            shown += self._place()
            shown += self._look_back()
        return shown

    def tempo_moved_by(self, factor: float) -> None:
        """Take in that the deck now runs ``factor`` times as fast, and the tempo with it; the octave moves along.

        Where that leads out of the deck's tempo range, the octave stays.
        """
        self._prior.move_by(factor)
        if self.timeline is None:
            return
        tempo = self._prior.fold(self.timeline.tempo * factor)
        if tempo is None:
            return
        if self.state == "following":
            self._catch(tempo)
        else:
            self.timeline = Timeline(self._rate, self.timeline.frame, self.timeline.beat, tempo)

    def tape_changed(self) -> None:
        """Take in that another tape plays: the octave is chosen by the deck's tempo range alone."""
        self._prior.forget()
        if self.timeline is not None and self.state == "following":
            tempo = self._prior.fold(self.timeline.tempo)
            if tempo is not None and abs(log2(tempo / self.timeline.tempo)) > 0.5:
                self._catch(tempo)

    def _open(self) -> list[Beat | StateMove]:
        self._activation.forget()
        return self._enter("listening")

    def _enter(self, state: FollowerState) -> list[Beat | StateMove]:
        """Go to a state; what was heard before no longer counts, unless a beat was just found in it."""
        was, self.state = self.state, state
        self._pulses.clear()
        self._unseen.clear()
        self._misses = 0
        if state != "following":
            self._since = self._hops
            self.confidence = 0.0
        return [StateMove(self._frame, was, state)] if was != state else []

    def _tempo_of(self, period: float) -> float:
        return 60.0 * self._rate / (period * self._hop_frames)

    def _period_of(self, tempo: float) -> float:
        return 60.0 * self._rate / (tempo * self._hop_frames)

    def _find(self) -> list[Beat | StateMove]:
        """Look for a pulse while there is none."""
        heard = min(MEMORY, self._hops - self._since, self._activation.count)
        if heard < belief.SHORTEST:
            return []
        alike = belief.likeness(self._activation.recent(heard))
        self._pulses.append(belief.strongest(alike, self._allowed))
        return self._catch_agreed((MEMORY / heard) ** 0.5)

    def _follow_on(self) -> list[Beat | StateMove]:
        """See whether the pulse that is followed is still there, and the strongest."""
        assert self.timeline is not None
        alike = belief.likeness(self._activation.recent(_RECENT))
        held = belief.strength_at(alike, self._period_of(self.timeline.tempo))
        self.confidence += 0.2 * (min(1.0, max(0.0, held / 0.6)) / (1 + self._misses) - self.confidence)
        rival = belief.strongest(alike, self._allowed)
        if rival is None or rival.strength < _RIVAL_OVER_HELD * held or self._is_held(rival):
            self._pulses.append(None)
        else:
            self._pulses.append(rival)
        return self._catch_agreed(1.0)

    def _is_held(self, pulse: Pulse) -> bool:
        if self.timeline is None or self.state not in ("following", "holding"):
            return False
        return abs(octave_gap(self._tempo_of(pulse.period), self.timeline.tempo)) < log2(1 + SAME_TEMPO)

    def _catch_agreed(self, doubt: float) -> list[Beat | StateMove]:
        """Follow the newest pulse if enough of the last ones agree, firmly enough; ``doubt`` raises what is enough."""
        newest = self._pulses[-1]
        if newest is None:
            return []
        again = self._is_held(newest)
        one = [p for p in self._pulses if p and abs(octave_gap(p.period, newest.period)) < _SAME_PULSE]
        if len(one) < (_AGREEING_AGAIN if again else _AGREEING):
            return []
        if sum(pulse.strength for pulse in one) / len(one) < doubt * (_FIRM_AGAIN if again else _FIRM):
            return []
        tempo = self._prior.fold(self._tempo_of(newest.period))
        if tempo is None:
            return []
        self._catch(tempo)
        self.confidence = min(1.0, newest.strength / 0.6)
        return self._enter("following")

    def _catch(self, tempo: float) -> None:
        """Lay the timeline anew: at ``tempo``, through the onsets of the last seconds."""
        period = self._period_of(tempo)
        onsets = self._activation.recent(min(MEMORY, max(_RECENT, round(3 * period))))
        age = belief.latest_beat(onsets, period)
        beat = self._next - 1
        line = Timeline(self._rate, self._frame_at(age), beat, tempo)
        reach = _REACH * period
        seeds = [
            (beat - back, *belief.onset_near(onsets, age + back * period, reach)) for back in range(_SEEDS, -1, -1)
        ]
        least = _HEARD_AT_FIRST * max(height for _, _, height in seeds)
        self._heights.clear()
        for number, at, height in seeds:
            if height > 0 and height >= least:
                self._heights.append(height)
                line.saw(number, self._frame_at(at))
        if line.frame_of(self._next) < self._last_frame + 0.5 * line.period:
            line = Timeline(self._rate, line.frame, line.beat - 1, line.tempo)
        self.timeline = line
        self._unseen.clear()
        self._misses = 0
        self._prior.keep(line.tempo)

    def _frame_at(self, age: float) -> float:
        """Return the frame of an onset whose peak lies ``age`` hops back."""
        return self._frame - (age + LATENESS) * self._hop_frames

    def _place(self) -> list[Beat | StateMove]:
        """Place the beats whose time has come."""
        assert self.timeline is not None
        placed: list[Beat | StateMove] = []
        while (frame := self.timeline.frame_of(self._next)) <= self._frame:
            if frame > self._last_frame:
                placed.append(Beat(frame, self._next, self.timeline.tempo, self.confidence, self._frame))
                self._unseen.append(self._next)
                self._last_frame = frame
                self._next += 1
        return placed

    def _look_back(self) -> list[Beat | StateMove]:
        """Turn the line to the onsets at the beats that have passed, and notice when there are none."""
        assert self.timeline is not None
        while self._unseen:
            period = self.timeline.period / self._hop_frames
            age = (self._frame - self.timeline.frame_of(self._unseen[0])) / self._hop_frames - LATENESS
            if age < _REACH * period + 1:
                return []
            beat = self._unseen.popleft()
            onsets = self._activation.recent(round(age + period))
            at, height = belief.onset_near(onsets, age, _REACH * period)
            if height >= _HEARD * (median(self._heights) if self._heights else 0.0) and height > 0:
                self._misses = 0
                self._heights.append(height)
                self.timeline.saw(beat, self._frame_at(at))
                self._prior.keep(self.timeline.tempo)
            else:
                self._misses += 1
                if self._misses >= _MISSES:
                    return self._lose()
        return []

    def _lose(self) -> list[Beat | StateMove]:
        """Hold, unless the pulse is there and only its beats fall elsewhere: then follow it there."""
        assert self.timeline is not None
        tempo, period = self.timeline.tempo, self._period_of(self.timeline.tempo)
        onsets = self._activation.recent(_RECENT)
        if belief.strength_at(belief.likeness(onsets), period) >= _FIRM:
            beat = self.timeline.beat_at(self._frame_at(belief.latest_beat(onsets, period)))
            if abs(beat - round(beat)) > _REACH:
                self._catch(tempo)
                return []
        return self._enter("holding")
