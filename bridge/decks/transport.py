"""What the hand did to a deck: started it, stopped it, put in another tape, switched its speed.

Starts and stops are read from the level, or in a mix, where others sound on, from what comes and leaves with a beat
(`bridge.decks.mix`); another tape from a tempo that came back different after a stop, or changed together with the
sound; a speed switch from the spectrum (`bridge.decks.speed`).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import log2, log10

from bridge.decks.mix import Mix
from bridge.decks.octave_turn import OctaveTurn
from bridge.decks.speed import HOPS_A_BLOCK, Profile, SpeedWatch, same_sound
from bridge.events import DeckChangeKind, FollowerState
from bridge.follow.features import HOPS_PER_S, Hop, hop_frames
from bridge.follow.gate import Gate
from bridge.follow.prior import folded, octave_gap
from bridge.rig import Deck
from bridge.units import SILENCE_DB

ANOTHER_TEMPO = 0.04
"""Two tempos that differ by more than this, as a fraction and whole octaves aside, are not of one tape left alone."""

_LEVELS_KEPT = int(12 * HOPS_PER_S)
_TEMPOS_KEPT = int(7 * HOPS_PER_S)
_JUST_BEFORE = int(0.5 * HOPS_PER_S)
_LEVEL_OVER = int(HOPS_PER_S)
_LOUDEST_DB = 40.0
_SETTLES = int(5 * HOPS_PER_S)
_LOOKS_EVERY = int(0.25 * HOPS_PER_S)
_ONE_TURN = int(3 * HOPS_PER_S)
_PROFILED = int(3.2 * HOPS_PER_S)
_RUN_OUT = 5  # blocks of the speed watch, 1.3 s: the quiet second after which a stop is noticed, and the motor's glide
_LONG_AGO = 24  # blocks of the speed watch, 6 s: before a follower that has just caught a new tempo could hear it


@dataclass(frozen=True, slots=True)
class Change:
    """Something that the hand did.

    Attributes:
        frame: When it happened, in frames of sound.
        kind: What it was.
        tempo_before: Tempo before it in bpm; None where there was none.
        tempo_after: Tempo after it in bpm, in the deck's range; None where none is known yet.
        level_before_db: Level in the second before it, -120..40.
        level_after_db: Level in the second after it, or in what is heard of that second, -120..40.
        known: Frames heard when it was noticed.
        sure: Whether hardly anything else sounds like it; see `bridge.decks.layers`.
    """

    frame: int
    kind: DeckChangeKind
    tempo_before: float | None
    tempo_after: float | None
    level_before_db: float
    level_after_db: float
    known: int
    sure: bool = True


@dataclass(slots=True)
class _Start:
    """A start whose tempo has not settled.

    Attributes:
        frame: When it was.
        tempo: Tempo before the stop; None where there was none.
        sound: Profile before the stop; None where too little was heard.
        followed: Hops for which a tempo was followed since.
    """

    frame: int
    tempo: float | None
    sound: Profile | None
    followed: int = 0


class Transport:
    """Watches one deck.

    Args:
        deck: The deck.
        rate: Frames per second.

    Attributes:
        suspects_change: Whether with this hop another speed or tape is suspected, too unlike or too like to be told as
            a change: only the tempo can tell.
    """

    def __init__(self, deck: Deck, rate: int) -> None:
        self.suspects_change = False
        self._hop_frames = hop_frames(rate)
        self._range = deck.tempo_range
        self._gate = Gate(rate)
        self._speed = SpeedWatch()
        self._octaves = OctaveTurn()
        self._levels: deque[float] = deque(maxlen=_LEVELS_KEPT)
        self._frame = 0
        self._state: FollowerState = "idle"
        self._tempo: float | None = None
        self._tempos: deque[float | None] = deque([None], maxlen=_TEMPOS_KEPT)
        self._sound: Profile | None = None
        self._sound_stopped: Profile | None = None
        self._start: _Start | None = None
        self._told: int | None = None
        self._mix = Mix() if deck.mixed and not deck.dry else None

    @property
    def runs(self) -> bool:
        """Whether its tape can be heard."""
        return self._gate.is_open

    def hear(self, hop: Hop, state: FollowerState, tempo: float | None, octaves: int | None = None) -> list[Change]:
        """Take in one hop, and what the follower made of it, and return what was noticed.

        Args:
            hop: The next hop.
            state: The follower's state after this hop.
            tempo: The follower's tempo after this hop, in bpm; None where it has none.
            octaves: By how many the follower hears its beat above the one that it counts; None where that is not known.
        """
        self._frame = hop.frame
        self._levels.append(hop.level_db)
        self.suspects_change = False
        changes = []
        if self._gate.hear(hop):
            changes.append(self._started_or_stopped())
        if self._gate.is_open:
            changes += self._switched(hop)
            self.suspects_change |= self._octaves.hear(octaves if state == "following" else None, self._speed)
            changes += self._came_or_left(hop, state)
        changes += self._another_tape(state, tempo)
        if changes:
            self._octaves.forget()  # the octave moved along, or is chosen anew
        self._tempos.append(self._tempo)
        return changes

    def _started_or_stopped(self) -> Change:
        if self._mix is not None:
            self._mix.forget()
        if self._gate.is_open:
            self._speed.forget()
            self._start = _Start(self._gate.since, self._tempo, self._sound_stopped)
            return self._change("started", self._gate.since, None, None)
        self._sound_stopped = self._speed.profile(_RUN_OUT)
        self._speed.forget()
        return self._change("stopped", self._gate.since, self._tempo, None)

    def _came_or_left(self, hop: Hop, state: FollowerState) -> list[Change]:
        """Return the tape that was started or stopped in a mix where others sound on."""
        if self._mix is None or (edge := self._mix.hear(hop, state)) is None:
            return []
        frame = self._frame - edge.hops_back * self._hop_frames
        if self._mix.plays:
            self._start = _Start(frame, self._tempo, self._sound_stopped)
            return [self._change("started", frame, None, None, sure=False)]
        self._sound_stopped = self._speed.profile(edge.hops_back // HOPS_A_BLOCK + 1)
        return [self._change("stopped", frame, self._tempo, None, sure=False)]

    def _switched(self, hop: Hop) -> list[Change]:
        switch = self._speed.hear(hop)
        self.suspects_change = switch is not None and not switch.sure
        if switch is None or not switch.sure:
            return []
        before, after = self._tempo_at(switch.frame), None
        if before is not None:
            after = folded(before * switch.factor, self._range, near=before * switch.factor)
        self._tempo = after
        self._sound = None
        return [self._change("speed switch", switch.frame, before, after)]

    def _tempo_at(self, frame: int) -> float | None:
        """Return the tempo that was followed just before a frame, or the oldest that is kept."""
        back = (self._frame - frame) // self._hop_frames + _JUST_BEFORE
        return self._tempos[-min(back, len(self._tempos))]

    def _another_tape(self, state: FollowerState, tempo: float | None) -> list[Change]:
        """Compare a tempo that was just caught with the one before it."""
        was, self._state = self._state, state
        if state != "following" or tempo is None:
            if was == "following":
                self._sound = self._speed.profile(_LONG_AGO)
            return []
        if self._mix is not None and not self._mix.plays:
            return []
        before, self._tempo = self._tempo, tempo
        if self._start is not None:
            return self._since_start(self._start, tempo)
        if before is None or not is_another(tempo, before):
            return []
        sound_before = self._sound if was != "following" else self._speed.profile(_LONG_AGO)
        sound_after = self._speed.profile()
        if sound_before is None or sound_after is None or _ridden(sound_before, sound_after, before, tempo):
            return []
        return self._turned_to(before, tempo)

    def _turned_to(self, before: float, tempo: float) -> list[Change]:
        """Tell of another tape where the sound turned; a tempo that is only put right after that is none."""
        at = self._speed.sharpest_turn()
        if self._told is not None and at - self._told < _ONE_TURN * self._hop_frames:
            return []
        self._told = at
        return [self._change("another tape", at, before, tempo)]

    def _since_start(self, start: _Start, tempo: float) -> list[Change]:
        """Compare the tempo with the one before the stop until it has settled: the first one caught may be wrong."""
        looks = start.followed % _LOOKS_EVERY == 0
        start.followed += 1
        if start.followed > _SETTLES:
            self._start = None
        if not looks or start.tempo is None or not is_another(tempo, start.tempo):
            return []
        after = self._speed.profile() if self._frame - start.frame >= _PROFILED * self._hop_frames else None
        if start.sound is not None and (after is None or _ridden(start.sound, after, start.tempo, tempo)):
            return []
        self._start, self._told = None, start.frame
        return [self._change("another tape", start.frame, start.tempo, tempo)]

    def _change(
        self,
        kind: DeckChangeKind,
        frame: int,
        tempo_before: float | None,
        tempo_after: float | None,
        *,
        sure: bool = True,
    ) -> Change:
        back = (self._frame - frame) // self._hop_frames
        return Change(
            frame=frame,
            kind=kind,
            tempo_before=tempo_before,
            tempo_after=tempo_after,
            level_before_db=self._level(back, back + _LEVEL_OVER),
            level_after_db=self._level(back - _LEVEL_OVER, back),
            known=self._frame,
            sure=sure,
        )

    def _level(self, newest: int, oldest: int) -> float:
        """Return the mean level between two numbers of hops back; silence where nothing is kept from then."""
        kept = len(self._levels)
        levels = list(self._levels)[max(0, kept - oldest) : max(0, kept - max(0, newest))]
        if not levels:
            return SILENCE_DB
        power = sum(10.0 ** (level / 10.0) for level in levels) / len(levels)
        return min(_LOUDEST_DB, 10.0 * log10(power))


def is_another(tempo: float, before: float) -> bool:
    """Return whether two tempos in bpm are further apart than one tape left alone would bring them."""
    return abs(octave_gap(tempo, before)) >= log2(1 + ANOTHER_TEMPO)


def _ridden(sound_before: Profile, sound_after: Profile, before: float, after: float) -> bool:
    """Return whether a tempo that moved can be one tape's whose varispeed was moved."""
    return same_sound(sound_before, sound_after, 2.0 ** octave_gap(after, before))
