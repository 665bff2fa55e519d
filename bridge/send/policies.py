"""What a pedal is told when the tape's tempo moves.

Three kinds of change. Drift is followed: smoothly by a pedal that glides (`bridge.send.period`), seldom and while its
tail is quiet by one that jumps or mutes, at once by one that needs the beat itself and not only its length
(`bridge.send.phase`). A step of the tape (another tape, another speed) is one step of the pedal, at the moment that its
rig says (`bridge.send.steps`). An octave is only ever a fold, where a limit would be passed (`bridge.send.fold`).
"""

from __future__ import annotations

from fractions import Fraction
from math import inf

from bridge.events import Fact, PedalTold
from bridge.events_hand import (
    Hand,
    HandsOff,
    HandsOn,
    LoopChanged,
    StepAllowed,
    TempoKept,
    TempoLetGo,
    TempoNudged,
)
from bridge.rig import Pedal
from bridge.send.fold import Folding, divisions, longest_division
from bridge.send.period import REST, SEAT, Period, apart, slew_of
from bridge.send.phase import OFF_S, Phase
from bridge.send.steps import Gate, Tail, latest
from bridge.units import TEMPO_MAX, TEMPO_MIN, period_s

STEP = 0.04
"""A tempo that is off by more than this share is another tempo, not drift."""

JUMP = 0.01
"""A pedal that jumps or mutes is moved only when the tape is off by this share."""

JUMP_EVERY_S = 8.0
"""A pedal that jumps or mutes follows drift at most this often."""

HEARD_S = 1.0
"""A tempo that was heard so long ago, in seconds, is still the deck's."""

BEAT_S = 2.0
"""A step of pedals that need the beat waits for a beat of the tape at most this long; a beginning waits for one."""

_HELD = {"none": (), "recording": ("recording",), "loop": ("recording", "playing")}


class PedalPolicy:
    """Decides what some pedals are told together: those that share a port's clock, or one that has none.

    Times are those of any one clock, in seconds, and never run backwards.

    Args:
        pedals: The pedals, at least one; all listen to one deck at one ratio. The strictest limit counts.

    Attributes:
        pedals: The pedals.
        deck: Name of their deck.
        needs_beat: Whether they need the beat itself, and not only its length.
    """

    def __init__(self, pedals: tuple[Pedal, ...]) -> None:
        self.pedals = pedals
        self.deck = pedals[0].listens_to
        self._names = frozenset(pedal.name for pedal in pedals)
        self._jumps = any(pedal.on_change != "glides" for pedal in pedals)
        self.needs_beat = any(pedal.needs == "beat" for pedal in pedals)
        self._tapped = any(pedal.taps is not None for pedal in pedals)
        self._direct = self.needs_beat or all(pedal.sync == ("taps",) for pedal in pedals)
        self._division = float(max(map(longest_division, pedals)))
        self._delays = [(pedal.name, float(beats)) for pedal in pedals for beats in divisions(pedal)]
        self._folding = Folding(pedals)
        self._phase = Phase()
        self._period = Period(min(slew_of(p.repeats_heard, float(longest_division(p))) for p in pedals))
        self._tail = Tail(max(pedal.repeats_heard for pedal in pedals))
        self._step_gate = Gate(latest(pedals), self._tail)
        self._drift_gate = Gate("tail_quiet", self._tail)
        self._tempo = next((p.begin_tempo for p in pedals if p.begin_tempo is not None), None)
        self._anew = "begin"  # why the next order is a beginning; empty for what goes on
        self._heard: tuple[float, float] = (-inf, 0.0)  # when, and the deck's tempo
        self._stepped_at: float | None = None  # when the deck stepped, until the pedals have
        self._no_beat_since = inf  # from when on a step waits for a beat to meet
        self._moved_at = -inf
        self._hands_off: set[str] = set()
        self._kept = False
        self._loops: dict[str, str] = {}

    @property
    def tempo(self) -> float | None:
        """Tempo that the pedals were last told, in bpm; None before they were told any."""
        return self._tempo

    @property
    def delays_s(self) -> tuple[float, ...]:
        """Delay times in seconds that the pedals have by what they were told; none of a pedal in other hands."""
        if self._tempo is None:
            return ()
        told = [beats for pedal, beats in self._delays if pedal not in self._hands_off]
        return tuple(beats * period_s(self._tempo) for beats in dict.fromkeys(told))

    @property
    def held(self) -> bool:
        """Whether the pedals keep what they have whatever is heard: by hand, by `keep`, or by a loop."""
        looping = any(self._loops.get(pedal.name) in _HELD[pedal.hold_while] for pedal in self.pedals)
        return bool(self._hands_off) or looping or (self._kept and self._tempo is not None)

    def resume(self, told: PedalTold) -> None:
        """Take over what an earlier policy told the pedals, after a restart."""
        self._folding.resume(Fraction(told.ratio).limit_denominator(64))
        self._tempo, self._anew = told.tempo, ""
        self._period.step(told.tempo)

    def obey(self, hand: Hand, at: float) -> list[Fact]:
        """Take in what the hand, the foot or a looper did at time ``at``; return what the pedals are told at once."""
        match hand:
            case TempoKept() | TempoLetGo() if hand.deck == self.deck:
                self._kept = isinstance(hand, TempoKept)
            case TempoNudged() if hand.deck == self.deck and self._tempo is not None:
                self._kept = True
                wanted = self._tempo * (1.0 + hand.percent / 100.0)
                self._period.step(min(TEMPO_MAX, max(TEMPO_MIN, wanted)), at)
                return self._tell(at, self._period.tempo, "by hand")
            case HandsOff() if hand.pedal in self._names:
                self._hands_off.add(hand.pedal)
            case HandsOn() if hand.pedal in self._hands_off:
                self._hands_off.discard(hand.pedal)
                self._anew = self._anew or "hands on"
                return self._follow_again(at)
            case StepAllowed() if hand.pedal in self._names:
                self._step_gate.allow()
                return self._follow_again(at)
            case LoopChanged() if hand.pedal in self._names:
                self._loops[hand.pedal] = hand.loop
        return []

    def listen_to(self, deck: str) -> None:
        """Take the beats of another deck from now on; its tempo is a step for the pedals."""
        self.deck = deck
        self._kept = False
        self._phase.forget()

    def beat(self, at: float, index: int) -> None:
        """Take in a beat of the deck: its time, and its number, which grows by 1 from beat to beat."""
        self._phase.beat(at, index)

    def lose_phase(self) -> None:
        """Take the beats so far for past: what runs on must be heard again before it is known where they fall."""
        self._phase.forget()

    def hear_level(self, at: float, level_db: float) -> list[Fact]:
        """Take in how loud the deck is, in dB relative to full scale; return what waited and is told at time ``at``."""
        if self._tempo is None:
            return []
        self._tail.hear(at, level_db, self._delay_s())
        waits = self._step_gate.waits or self._drift_gate.waits
        return self._follow(at, self._heard[1]) if waits and not self.held else []

    def hear(self, at: float, tempo: float, *, stepped_at: float | None = None) -> list[Fact]:
        """Return what the pedals are told now that the deck is heard at ``tempo``.

        Call it a few times a second while the deck's beat is followed.

        Args:
            at: Time in seconds.
            tempo: The deck's tempo in bpm.
            stepped_at: When the deck stepped (another tape, another speed) since the call before; None if it did not.

        Returns:
            An order for each pedal, or nothing where nothing moves; before them why their ratio was folded, if it was.
        """
        self._heard = (at, tempo)
        if stepped_at is not None:
            self._stepped_at = stepped_at
            self._phase.forget(stepped_at)
        return [] if self.held else self._follow(at, tempo)

    def _follow_again(self, at: float) -> list[Fact]:
        """Follow the tempo that was heard last, if it is still the deck's or a step to it waits."""
        heard_at, tempo = self._heard
        fresh = heard_at >= at - HEARD_S or self._step_gate.waits
        return self._follow(at, tempo) if fresh and not self.held else []

    def _follow(self, at: float, tempo: float) -> list[Fact]:
        ratio = self._folding.wanted(tempo)
        wanted = min(TEMPO_MAX, max(TEMPO_MIN, tempo * float(ratio)))
        folds = ratio != self._folding.ratio
        why = "fold" if folds else self._anew or "step"
        if self._tempo is None or self._anew == "hands on":
            return self._step(at, ratio, wanted, why)
        unforeseen = self._stepped_at is None and apart(wanted, self._tempo) > STEP
        if self._anew or folds or unforeseen or self._stepped_at is not None:
            if unforeseen and not self._anew and not self._step_gate.waits:
                self._phase.forget()
            since = at if self._stepped_at is None else self._stepped_at
            passes = self._step_gate.opens(since, at, self._delay_s())
            return self._step(at, ratio, wanted, why) if passes else []
        self._step_gate.done()
        return self._drift(at, wanted)

    def _step(self, at: float, ratio: Fraction, wanted: float, why: str) -> list[Fact]:
        """Go to another tempo or ratio in one change."""
        if self.needs_beat and not self._phase.known:
            self._no_beat_since = min(at, self._no_beat_since)
            if self._tempo is None or at < self._no_beat_since + BEAT_S:
                return []  # the step is to meet the beat, and there will be one soon
        self._no_beat_since = inf
        moves = bool(self._anew) or why == "fold" or apart(wanted, self._tempo or wanted) > SEAT or self._keeps_beat
        self._folding.ratio = ratio
        self._anew, self._stepped_at = "", None
        self._step_gate.done()
        self._drift_gate.done()
        self._period.step(wanted, at)
        return self._tell(at, wanted, why) if moves else []

    def _drift(self, at: float, wanted: float) -> list[Fact]:
        assert self._tempo is not None
        if self._direct:
            if apart(wanted, self._tempo) > REST:
                return self._tell(at, wanted, "drift")
        elif self._jumps:
            if self._jump(at, wanted):
                return self._tell(at, wanted, "drift")
        elif self._period.hear(at, wanted):
            return self._tell(at, self._period.tempo, "drift")
        beats = self._beats(at) if self._keeps_beat else None
        off_s = 0.0 if beats is None else self._phase.off_s(at, beats, self._folding.ratio)
        return self._tell(at, self._tempo, "phase") if abs(off_s) > OFF_S else []

    def _jump(self, at: float, wanted: float) -> bool:
        """Return whether a pedal that jumps or mutes is to follow drift now: seldom, and while its tail is quiet."""
        assert self._tempo is not None
        if apart(wanted, self._tempo) <= JUMP or at < self._moved_at + JUMP_EVERY_S:
            self._drift_gate.done()
            return False
        return self._drift_gate.opens(at, at, self._delay_s())

    def _tell(self, at: float, tempo: float, why: str) -> list[Fact]:
        self._tempo, self._moved_at = tempo, at
        self._drift_gate.done()
        ratio, beats = self._folding.ratio, self._beats(at)
        self._phase.told(at, beats, tempo)
        orders = [
            PedalTold(at=at, pedal=p.name, deck=self.deck, tempo=tempo, ratio=float(ratio), why=why, beats=beats)
            for p in self.pedals
        ]
        of_deck = self._heard[1] or tempo / float(ratio)  # a hand may move what no ear has heard
        return [*self._folding.news(at, of_deck), *orders]

    @property
    def _keeps_beat(self) -> bool:
        """Whether the pedals are told where the beat falls, and there is one."""
        return (self.needs_beat or self._tapped) and self._phase.known

    def _beats(self, at: float) -> float | None:
        """Return the beats of the pedals at time ``at``, as the deck's beats have them; None before there is one."""
        beats = self._phase.beats_at(at, self._heard[1])
        return None if beats is None else beats * float(self._folding.ratio)

    def _delay_s(self) -> float:
        """Return the pedals' longest delay time in use, in seconds."""
        assert self._tempo is not None
        return self._division * period_s(self._tempo)


def policies_of(pedals: tuple[Pedal, ...]) -> tuple[PedalPolicy, ...]:
    """Return one policy a port that carries a clock, in the order in which the ports are first named, then one for each
    pedal without a clock.
    """
    clocked = [pedal for pedal in pedals if pedal.clocked]
    ports = dict.fromkeys(pedal.port for pedal in clocked)
    groups = [tuple(p for p in clocked if p.port == port) for port in ports]
    return tuple(map(PedalPolicy, [*groups, *((pedal,) for pedal in pedals if not pedal.clocked)]))
