"""Hears one deck and keeps one beat: hops in, beats and changes of state out.

States and what moves a follower between them:

==========  =========================================================  =========
from        what happens                                               to
==========  =========================================================  =========
any         no signal for a second (`bridge.follow.gate`)              idle
idle        a signal                                                   listening
listening   one beat stays the likeliest for over a second, and there  following
            surely is one; or for 0.3 s at the told tempo. And what is
            heard falls in step with it (`bridge.follow.step`)
idle,       four taps                                                  holding
listening
following   no beat or no stroke is sensed any more, what is heard     holding
            falls out of step, or only known echoes are heard
            (`bridge.follow.echoes`)
following   another beat stays the likeliest for a second, one that    following
            lies half a beat beside it for four; any for 0.16 s in
            the first four after it was caught
holding     one beat stays the likeliest, the held tempo for less long following
            if it was followed long; more in step if that fell out
            of step, longer as well if what was followed soon ended
==========  =========================================================  =========
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import log2

from bridge.events import FollowerState
from bridge.follow.beat_line import Beat, BeatLine
from bridge.follow.begin import STEP_TOLD, needed
from bridge.follow.echoes import EchoWatch
from bridge.follow.evidence import Learned
from bridge.follow.features import Hop, hop_frames
from bridge.follow.gate import Gate
from bridge.follow.line import Sight, Watch
from bridge.follow.octave import OctaveChoice
from bridge.follow.prior import SAME_TEMPO, folded, limits, octave_gap
from bridge.follow.sense import sense_of
from bridge.follow.state import StateMove
from bridge.follow.timeline import Timeline
from bridge.follow.told import Told
from bridge.follow.trust import trusted
from bridge.rig import Deck
from bridge.units import TEMPO_MAX, TEMPO_MIN

READ_EVERY, READ_SOONER = 8, 6
"""The sense of the beat is read every so many hops while one is followed; sooner while one is looked for, or caught."""

BEGIN, END = 0.6, 0.4
"""Probability of a beat from which one is followed, and below which it is held."""

_STEP_END = 0.17  # of `Sense.in_step`: below that a beat fell out of step
_STEP_END_LONG = 0.1  # of a beat that was followed long: its echoes fall beside it, too
_LONG = 800  # hops of one beat, after which it was no chance
_RIVAL_SEEN = 90  # hops
_HALF_SEEN = 400  # hops, of a rival half a beat beside the line: many a rhythm leans both ways
_YOUNG, _YOUNG_SEEN = 400, 16  # hops since a beat was caught, in which any rival may take over so soon
_LEAST_WEIGHT = 0.25
_HELD_DOUBT = 0.3
_TRUST_OVER = 80  # hops
_TAPS_COUNT = (0.5, 0.7, 0.9)  # part of the belief that two, three, four taps take


class Follower:
    """Follows the beat of one deck.

    Args:
        deck: The deck; its tempo range says where a tempo is looked for, and in which octave.
        rate: Frames per second.
        learned: What training left.

    Attributes:
        state: One of idle, listening, following, holding.
        octave: Which octave is counted, and in which the beat is heard.
        confidence: Probability that the beat being placed is right, octaves aside (`bridge.follow.trust`); 0 while
            none is placed.
    """

    def __init__(self, deck: Deck, rate: int, learned: Learned) -> None:
        self.state: FollowerState = "idle"
        self.confidence = self._believed = 0.0
        self._rate = rate
        self._hops_per_s = rate / hop_frames(rate)
        self._beats = BeatLine(rate, hop_frames(rate))
        self._range = deck.tempo_range
        self._told = Told(deck.tempo_range)
        self._sense = sense_of(deck, rate, learned)
        self._gate = Gate(rate)
        self._echoes = EchoWatch()
        self.octave = OctaveChoice()
        self._watch = Watch()
        self._rivals = Watch()
        self._half_by_hand = self._doubts = False
        self._followed = 0  # hops for which this beat was followed
        self._caught = 0  # hops since it was last caught
        self._frame = self._hops = self._read_at = 0
        self._taps: deque[float] = deque(maxlen=8)

    @property
    def timeline(self) -> Timeline | None:
        """The newest straight piece of beats against frames; None before the first beat was found."""
        return self._beats.timeline

    @property
    def tempo(self) -> float | None:
        """Tempo in bpm that is followed or held; None while idle or listening."""
        if self.timeline is None or self.state not in ("following", "holding"):
            return None
        return self.timeline.tempo

    def hear(self, hop: Hop, echoes_s: Sequence[float] = ()) -> list[Beat | StateMove]:
        """Take in one hop and return what it showed, in order.

        Args:
            hop: The next hop.
            echoes_s: Delays in seconds of the pedals that repeat the deck, as far as they are known.
        """
        self._frame = hop.frame
        self._hops += 1
        self._beats.pass_to(hop.frame, self._hops)
        shown: list[Beat | StateMove] = []
        self._echoes.hear(hop.tones_db, [delay * self._hops_per_s for delay in echoes_s])
        if self._gate.hear(hop):
            opens = self._gate.is_open
            shown += self._enter("idle") if not opens else self._open() if self.state == "idle" else []
        if self.state == "idle":
            return shown
        self._sense.hear(hop)
        is_settled = self.state == "following" and self._caught >= _YOUNG
        since = self._hops - self._read_at
        if since >= (READ_EVERY if is_settled else READ_SOONER):
            self._read_at = self._hops
            shown += self._read(since)
        if self.state == "following":
            shown += self._beats.place(self.confidence)
        return shown

    # What is told, instead of heard

    def expect(self, tempo: float) -> None:
        """Take in that a card or a hand says at about what tempo the tape plays, in bpm."""
        self._told.tempo = tempo
        self._sense.reckon_with(tempo)

    def tap(self, frame: float) -> list[StateMove]:
        """Take in a tap on a beat at a frame of sound. Two taps in a row make a guess, four settle tempo and phase.

        Returns:
            The move to another state that it made, if any.
        """
        taps = self._taps
        if taps and not 60.0 / TEMPO_MAX <= (frame - taps[-1]) / self._rate <= 60.0 / TEMPO_MIN:
            taps.clear()
        taps.append(frame)
        if len(taps) < 2:
            return []
        tempo = 60.0 * self._rate * (len(taps) - 1) / (taps[-1] - taps[0])
        told = folded(tempo, self._range, near=tempo)
        if told is None:
            return []
        self.expect(told)
        period = 60.0 * self._hops_per_s / told
        sight = Sight(self._hops, self._beats.hop_of(taps[-1]), period, 1.0)
        self._sense.assume(told, self._hops - sight.beat, _TAPS_COUNT[min(len(taps), 4) - 2])
        if len(taps) < 4:
            return []
        self.octave.settle(by_hand=True)
        self._half_by_hand = True
        self._followed, self._caught = _LONG, _YOUNG
        self._catch(sight, told)
        return self._enter("holding") if self.state in ("idle", "listening") else []

    @property
    def is_tapped(self) -> bool:
        """Whether the tempo that is kept comes from taps."""
        return len(self._taps) >= 4

    def shift_half_beat(self) -> None:
        """Take in from a hand that the beats were counted half a beat beside the tape's, and keep to that."""
        self._half_by_hand = True
        self._turn_half()

    def recount(self, factor: float) -> bool:
        """Count the beat ``factor`` times as fast from the last beat on, 2 or 0.5, and keep that octave.

        Returns:
            Whether it was done: not without a beat, nor out of the deck's tempo range.
        """
        if self.timeline is None or self.tempo is None:
            return False
        tempo = self.timeline.tempo * factor
        low, high = limits(self._range)
        if not low <= tempo <= high:
            return False
        self._told.tempo = tempo
        self._beats.go_at(tempo)
        self.octave.settle(by_hand=True)
        self._watch.forget()
        self._rivals.forget()
        self._sense.reckon_with(tempo)
        return True

    def tempo_moved_by(self, factor: float) -> None:
        """Take in that the deck now runs ``factor`` times as fast, and the tempo with it; the octave moves along.

        Then it stays: for the next seconds the old one is the likelier. Where that leads out of the deck's tempo range,
        the octave stays as it is.
        """
        self._told.move(factor)
        if self.timeline is None:
            return
        moved = self.timeline.tempo * factor
        tempo = folded(moved, self._range, moved)
        if tempo is None:
            return
        self._beats.go_at(tempo)
        self.octave.stay()
        self._start_anew()
        self._sense.reckon_with(tempo, doubt=_HELD_DOUBT)

    def tape_changed(self) -> None:
        """Take in that another tape plays.

        What was told is let go, and the octave is chosen anew, by the deck's tempo range and what is heard.
        """
        self._half_by_hand = False
        self._let_go()

    def tape_may_have_changed(self) -> None:
        """Take in that another tape may play, or this one at another speed: as if it did, but for a hand's octave."""
        if not self.octave.is_by_hand:
            self._let_go()

    def _let_go(self) -> None:
        """Forget what was told of the tempo, and choose the octave anew."""
        self.octave.free()
        self._told.tempo = None
        self._sense.reckon_with(None)

    # Hearing

    def _open(self) -> list[StateMove]:
        self._start_anew()
        self._sense.forget()
        self._sense.reckon_with(self._told.tempo)
        self._half_by_hand = False
        self.octave.free()
        return self._enter("listening")

    def _start_anew(self) -> None:
        """What was heard so far says nothing of what comes."""
        self._sense.renew()
        self._watch.forget()
        self._rivals.forget()
        self._beats.lose_sight()

    def _enter(self, state: FollowerState) -> list[StateMove]:
        was, self.state = self.state, state
        if was == "following" and state != was:
            self._doubts = self._followed < _LONG or self._sense.in_step < _STEP_END
        self._watch.forget()
        self._rivals.forget()
        if state != "following":
            self.confidence = 0.0
        if state == "holding" and self.timeline is not None:
            tempo = self._beats.hold()
            self._sense.reckon_with(tempo, doubt=_HELD_DOUBT, since=self._hops - self._beats.as_sight().beat)
        return [StateMove(self._frame, was, state)] if was != state else []

    def _present_now(self) -> float:
        """Return the probability that there is a beat to follow: what the sense says, unless echoes are all."""
        if self._echoes.alone:
            return 0.0
        return self._sense.present

    def _read(self, since: int) -> list[StateMove]:
        """Read the sense of the beat, so many hops since the last time: follow, go on, give way to a rival, or hold."""
        self._sense.rely_on_rhythm(self.state == "following" and self._caught < _YOUNG)
        present = self._present_now()
        sight = self._sense.sight(self._hops)
        if self.state != "following":
            return self._find(sight, present)
        self._followed += since
        self._caught += since
        self._trust(self._believed + since / _TRUST_OVER * (present * sight.weight - self._believed))
        if present < END or self._is_out_of_step():
            return self._enter("holding")
        if self._caught >= _YOUNG:
            self._told.face(self._beats.kept.tempo)
        self._go_on(sight if present > BEGIN and sight.weight > _LEAST_WEIGHT else None, since)
        return []

    def _is_out_of_step(self) -> bool:
        if self._caught < _YOUNG and self._told.fits(self._beats.kept.tempo):
            return self._sense.in_step < STEP_TOLD
        return self._sense.in_step < (_STEP_END_LONG if self._followed >= _LONG else _STEP_END)

    def _turn_half(self) -> None:
        self._sense.turn_half()
        self._watch.forget()
        self._rivals.forget()
        if self.timeline is not None:
            self._beats.turn_half()

    def _find(self, sight: Sight, present: float) -> list[StateMove]:
        seen = self._watch.see(sight if present > BEGIN and sight.weight > _LEAST_WEIGHT else None)
        tempo = self._tempo_of(sight)
        held = self.tempo
        again = held is not None and abs(octave_gap(tempo, held)) < log2(1 + SAME_TEMPO)
        wants = needed(
            seen=seen,
            is_told=self._told.fits(tempo),
            is_held=again,
            was_long=self._followed >= _LONG,
            doubts=self._doubts,
        )
        if seen < wants.seen or self._sense.in_step < wants.in_step or present < wants.present:
            return []
        if not again:
            self.octave.free()
            self._followed = 0
        self._catch(sight, self._read_in_octave(tempo, held if again else None))
        self._caught = 0
        self._sense.reckon_with(self._told.tempo)
        self._trust(present * sight.weight)
        return self._enter("following")

    def _read_in_octave(self, tempo: float, kept: float | None) -> float:
        """Return a tempo in the octave that was kept, or told; else as it was heard."""
        near = kept
        if near is None and self._told.fits(tempo):
            near = self._told.tempo
            self.octave.settle()
        if near is None:
            return tempo
        read = folded(tempo, self._range, near)
        return tempo if read is None else read

    def _go_on(self, sight: Sight | None, since: int) -> None:
        """Follow on: move the line to what is seen for sure, or give way to a rival that stays."""
        line = self._beats.as_sight()
        if sight is not None and sight.agrees(line):
            self._rivals.forget()
            self._beats.see(sight)
            octave = self.octave.hear(sight, line.period, since)
            if octave != 1.0:
                self._catch(sight, self._beats.kept.tempo * octave)
            return
        self._beats.see(None)
        self.octave.off = None
        seen = self._rivals.see(sight)
        is_half = sight is not None and sight.lies_between(line)
        needed = _YOUNG_SEEN if self._caught < _YOUNG else _HALF_SEEN if is_half else _RIVAL_SEEN
        if sight is not None and seen >= needed:
            if is_half and self._half_by_hand:
                self._sense.turn_half()
                self._rivals.forget()
                return
            tempo, kept = self._tempo_of(sight), self._beats.kept.tempo
            stays = abs(octave_gap(tempo, kept)) < log2(1 + SAME_TEMPO)
            if not stays:
                self.octave.free()
            self._catch(sight, self._read_in_octave(tempo, kept if stays else None))

    def _trust(self, believed: float) -> None:
        self._believed = min(1.0, believed)
        self.confidence = trusted(self._believed)

    def _catch(self, sight: Sight, tempo: float) -> None:
        """Lay the line anew, through the beats that are seen."""
        self._beats.lay(sight, tempo)
        self._rivals.forget()

    def _tempo_of(self, sight: Sight) -> float:
        return 60.0 * self._hops_per_s / sight.period
