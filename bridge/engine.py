"""Where hearing, decks and pedals meet: sound in, facts out. Pure: no clock, no thread, no file, no port.

The same sound in blocks of any size gives the same facts, equal in frames; a sound cut at t gives the facts of the
whole that were known by t.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from bridge.decks.transport import Change, Transport
from bridge.events import (
    BeatPlaced,
    DeckChanged,
    Fact,
    FollowerChanged,
    FollowerState,
    LevelHeard,
    PedalTold,
    SoundHeard,
)
from bridge.events_foot import ActionRefused, DeckStands
from bridge.events_hand import (
    BeatRecounted,
    BeatShifted,
    BeatTapped,
    Hand,
    PedalTurned,
    TapeChosen,
    TempoKept,
    TempoLetGo,
    TempoNudged,
    TempoTold,
    Told,
)
from bridge.events_host import DryTapTurned, NetLost
from bridge.follow.beat_line import Beat
from bridge.follow.evidence import Learned
from bridge.follow.features import Hop
from bridge.follow.follower import Follower
from bridge.follow.inputs import Heard, Inputs
from bridge.follow.state import StateMove
from bridge.rig import Deck, Rig
from bridge.send.policies import PedalPolicy, policies_of
from bridge.units import SILENCE_DB, level_db

TELL_EVERY_S = 0.25
"""Pedals are told at most this often."""

LEVEL_EVERY_S = 1.0
"""A deck's level is written down this often."""

LONGEST_GAP_S = 1.0
"""A shorter gap in the sound is filled with silence, so that the frames go on counting musical time."""


class Engine:
    """One follower and one transport a deck, one policy a port.

    Args:
        rig: What is plugged in.
        rate: Frames of sound a second.
        learned: What training left for the followers.
    """

    def __init__(self, rig: Rig, rate: int, learned: Learned) -> None:
        self._rate = rate
        self._policies = policies_of(rig.pedals)
        named = [channel for deck in rig.decks for channel in deck.channels]
        self._ears = [
            _Ear(
                deck,
                rate,
                learned,
                [policy for policy in self._policies if policy.deck == deck.name],
                shared=any(named.count(channel) > 1 for channel in deck.channels),
            )
            for deck in rig.decks
        ]
        self._next_frame: int | None = None
        self._lack = learned.lack if any(deck.follower == "net" for deck in rig.decks) else ""

    def resume(self, told: PedalTold) -> None:
        """Take over what an earlier engine told a pedal; unknown pedals are ignored, the rig may have changed."""
        for policy in self._policies:
            if told.pedal in (pedal.name for pedal in policy.pedals):
                policy.resume(told)

    def obey(self, hand: Hand | Told) -> list[Fact]:
        """Take in what the hand, the foot, a card or a looper did or told; return what comes of it at once.

        Raises:
            ValueError: Something is told of a deck that is not in the rig.
        """
        if isinstance(hand, Told):
            for ear in self._ears:
                if ear.deck == hand.deck:
                    return ear.take(hand)
            raise ValueError(f"deck {hand.deck!r} is not in the rig")
        if isinstance(hand, PedalTurned):
            return self._turn(hand)
        return [fact for ear in self._ears for fact in ear.obey(hand)]

    def _turn(self, turned: PedalTurned) -> list[Fact]:
        """Let a pedal, and those that share its clock, listen to another deck."""
        to = next((ear for ear in self._ears if ear.deck == turned.deck), None)
        policy = next((p for p in self._policies if turned.pedal in (pedal.name for pedal in p.pedals)), None)
        if to is None or policy is None:
            raise ValueError(f"pedal {turned.pedal!r} or deck {turned.deck!r} is not in the rig")
        for ear in self._ears:
            ear.give_up(policy)
        return to.take_over(policy)

    def lose_phase(self) -> None:
        """Keep the tempi, and forget where the beats fall: the machine was asleep, while the tapes ran on."""
        for policy in self._policies:
            policy.lose_phase()

    def handle(self, event: SoundHeard) -> list[Fact]:
        """Return what a block of sound shows to have happened, in the order in which it was known.

        Args:
            event: The next block. A gap before it of up to a second counts as silence.

        Raises:
            ValueError: The block lies before the end of the one before it, or lacks a channel of the rig.
        """
        gap = 0 if self._next_frame is None else event.frame - self._next_frame
        if gap < 0:
            raise ValueError(f"sound must go on from frame {self._next_frame}, got a block at frame {event.frame}")
        self._next_frame = event.frame + len(event.samples)
        silence = gap if gap <= LONGEST_GAP_S * self._rate else 0
        facts: list[tuple[int, Fact]] = []
        for ear in self._ears:
            facts += ear.hear(event, silence)
        lack, self._lack = self._lack, ""
        lacks = [NetLost(at=event.at, why=lack)] if lack else []
        return [*lacks, *(fact for _, fact in sorted(facts, key=lambda known: known[0]))]

    @property
    def not_finite(self) -> int:
        """How many samples so far were NaN or infinite; they were heard as silence."""
        return sum(ear.not_finite for ear in self._ears)

    @property
    def stands(self) -> tuple[DeckStands, ...]:
        """How each deck stands at the end of what was heard, for those who reckon with its beats."""
        return tuple(ear.stands for ear in self._ears)

    @property
    def status(self) -> tuple[DeckStatus, ...]:
        """How each deck stands now, in the rig's order."""
        return tuple(ear.status for ear in self._ears)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeckStatus:
    """How one deck stands.

    Attributes:
        deck: Its name.
        state: State of its follower.
        tempo: Heard or held tempo in bpm; None where there is none.
        level_db: Its level in dB relative to full scale.
    """

    deck: str
    state: FollowerState
    tempo: float | None
    level_db: float


class _Ear:
    """One deck's way from sound to facts. Counts in frames of sound; host time is put on at the way out."""

    def __init__(self, deck: Deck, rate: int, learned: Learned, policies: list[PedalPolicy], *, shared: bool) -> None:
        self._deck = deck
        self._rate = rate
        self._inputs = Inputs(deck, rate, shared=shared)
        self._follower = Follower(deck, rate, learned)
        self._transport = Transport(deck, rate)
        self._policies = list(policies)
        self._kept: TempoKept | None = None
        self._heard = 0
        self._anchor = (0, 0.0)
        self._stepped_at: float | None = None
        self._tell_at = 0
        self._powers: list[float] = []
        self._level_at = 0
        self._level_db = SILENCE_DB

    @property
    def deck(self) -> str:
        return self._deck.name

    @property
    def not_finite(self) -> int:
        return self._inputs.not_finite

    @property
    def status(self) -> DeckStatus:
        follower = self._follower
        return DeckStatus(
            deck=self._deck.name, state=follower.state, tempo=follower.tempo, level_db=round(self._level_db, 1)
        )

    @property
    def stands(self) -> DeckStands:
        """How the deck stands at the end of what was heard."""
        line, tempo = self._follower.timeline, self._follower.tempo
        return DeckStands(
            at=self._at(self._heard),
            deck=self._deck.name,
            state=self._follower.state,
            runs=self._transport.runs,
            tempo=tempo,
            beats=None if line is None or tempo is None else line.beat_at(self._heard),
        )

    def give_up(self, policy: PedalPolicy) -> None:
        """Tell these pedals nothing any more, if they were told by this deck."""
        if policy in self._policies:
            self._policies.remove(policy)

    def take_over(self, policy: PedalPolicy) -> list[Fact]:
        """Tell these pedals the deck's tempo from now on; return what they are told at once."""
        self._policies.append(policy)
        policy.listen_to(self._deck.name)
        at, tempo = self._heard / self._rate, self._follower.tempo
        facts = [] if tempo is None else list(self._told(policy.hear(at, tempo, stepped_at=at)))
        if self._kept is not None:
            policy.obey(self._kept, at)
        return facts

    def hear(self, event: SoundHeard, silence: int) -> list[tuple[int, Fact]]:
        """Return the facts of a block, each with the frame at which it was known."""
        facts: list[tuple[int, Fact]] = []
        if silence:
            self._heard += silence
            facts += self._facts(self._inputs.hear_silence(silence))
        self._anchor = (self._heard, event.at)
        heard = self._inputs.hear(event.samples)
        self._heard += len(event.samples)
        return facts + self._facts(heard)

    def obey(self, hand: Hand) -> list[Fact]:
        """Return what the deck's pedals are told because of what the hand, the foot or a looper did."""
        at = self._heard / self._rate
        if isinstance(hand, TempoKept | TempoNudged | TempoLetGo) and hand.deck == self.deck:
            self._kept = None if isinstance(hand, TempoLetGo) else TempoKept(at=hand.at, deck=hand.deck)
        return [fact for policy in self._policies for fact in self._told(policy.obey(hand, at))]

    def take(self, told: Told) -> list[Fact]:
        """Let the follower know what was told of its deck, and return what comes of it."""
        if isinstance(told, TempoTold):
            self._follower.expect(told.tempo)
        elif isinstance(told, BeatShifted):
            self._follower.shift_half_beat()
        elif isinstance(told, TapeChosen):
            self._follower.tape_changed()
            if told.tempo is not None:
                self._follower.expect(told.tempo)
        elif isinstance(told, BeatRecounted) and not self._follower.recount(told.factor):
            what, low, high = "twice" if told.factor == 2 else "half", *self._deck.tempo_range
            why = f"there is no beat, or that is outside the deck's {low:g}..{high:g} bpm"
            return [ActionRefused(at=told.at, action=f"{what}: {self.deck}", why=why)]
        return self._tap(told.at) if isinstance(told, BeatTapped) else []

    def _tap(self, at: float) -> list[Fact]:
        anchor, anchor_at = self._anchor
        moves = self._follower.tap(anchor + (at - anchor_at) * self._rate)
        facts = [self._state(move) for move in moves]
        if self._follower.is_tapped:
            self._stepped_at = self._heard / self._rate
            facts += self._tell(self._heard)
        return facts

    def _facts(self, hops: list[Heard]) -> list[tuple[int, Fact]]:
        return [(heard.mix.frame, fact) for heard in hops for fact in self._hop(heard)]

    def _hop(self, heard: Heard) -> Iterator[Fact]:
        hop = heard.mix
        if heard.turned:
            yield DryTapTurned(at=self._at(hop.frame), deck=self.deck, is_heard=heard.is_dry)
        echoes = [] if heard.is_dry else [delay_s for policy in self._policies for delay_s in policy.delays_s]
        for found in self._follower.hear(heard.deck, echoes):
            if isinstance(found, StateMove):
                yield self._state(found)
                continue
            for policy in self._policies:
                policy.beat(found.frame / self._rate, found.index)
            yield self._beat(found)
        follower = self._follower
        for change in self._transport.hear(heard.deck, follower.state, follower.tempo, follower.octave.off):
            self._obey(change)
            yield self._change(change)
            if change.kind == "speed switch" and self._follower.state == "holding":
                yield from self._tell(hop.frame)  # the beat is not found again yet, but its tempo is known
        if self._transport.suspects_change:
            self._follower.tape_may_have_changed()
        yield from self._level(hop)
        for policy in self._policies:
            yield from self._told(policy.hear_level(hop.frame / self._rate, hop.level_db))
        if hop.frame >= self._tell_at and self._follower.state == "following":
            yield from self._tell(hop.frame)

    def _tell(self, frame: int) -> Iterator[Fact]:
        """Tell the pedals the deck's tempo."""
        self._tell_at = frame + round(TELL_EVERY_S * self._rate)
        if self._follower.tempo is not None:
            for policy in self._policies:  # they reckon in sound, so that blocks of any size give the same
                at, tempo = frame / self._rate, self._follower.tempo
                yield from self._told(policy.hear(at, tempo, stepped_at=self._stepped_at))
            self._stepped_at = None

    def _told(self, facts: list[Fact]) -> Iterator[Fact]:
        """Yield what policies said, with host time in the place of time in the sound."""
        for fact in facts:
            yield replace(fact, at=self._at(fact.at * self._rate))

    def _obey(self, change: Change) -> None:
        """Let the follower know what the hand did, and let the pedals step instead of gliding."""
        if change.kind == "speed switch" and change.tempo_before and change.tempo_after:
            self._follower.tempo_moved_by(change.tempo_after / change.tempo_before)
        elif change.kind == "another tape":
            self._follower.tape_changed()
        if change.sure and change.kind != "started":  # after a stop too: the echoes have died away
            self._stepped_at = change.frame / self._rate

    def _at(self, frame: float) -> float:
        anchor, at = self._anchor
        return at + (frame - anchor) / self._rate

    def _state(self, move: StateMove) -> Fact:
        return FollowerChanged(at=self._at(move.frame), deck=self._deck.name, was=move.was, now=move.now)

    def _beat(self, beat: Beat) -> Fact:
        return BeatPlaced(
            at=self._at(beat.frame),
            deck=self._deck.name,
            index=beat.index,
            tempo=beat.tempo,
            confidence=beat.confidence,
            known=self._at(beat.known),
        )

    def _change(self, change: Change) -> Fact:
        return DeckChanged(
            at=self._at(change.frame),
            deck=self._deck.name,
            change=change.kind,
            tempo_before=change.tempo_before,
            tempo_after=change.tempo_after,
            level_before_db=change.level_before_db,
            level_after_db=change.level_after_db,
            known=self._at(change.known),
            sure=change.sure,
        )

    def _level(self, hop: Hop) -> Iterator[Fact]:
        """Mean power since the last one, about once a second."""
        self._powers.append(10.0 ** (hop.level_db / 10.0))
        if hop.frame < self._level_at:
            return
        self._level_at = hop.frame + round(LEVEL_EVERY_S * self._rate)
        mean = sum(self._powers) / len(self._powers)
        self._powers.clear()
        self._level_db = min(40.0, level_db(mean**0.5))
        yield LevelHeard(at=self._at(hop.frame), deck=self._deck.name, level_db=round(self._level_db, 1))
