"""What the foot, the loopers and the cues did: facts, as in `bridge.events`, and how a deck stands meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from bridge.events import Fact, FollowerState
from bridge.rig_foot import LooperState
from bridge.units import checked_tempo, finite, one_of, within

PressKind = Literal["press", "hold", "double"]
"""How a switch was used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchUsed(Fact):
    """A switch was pressed, held or pressed twice.

    Attributes:
        switch: The switch's name; "osc" or "terminal" for what was asked for by other means.
        how: How it was used.
        action: What was asked for, as `bridge.actions.Action` is written.
    """

    switch: str
    how: PressKind
    action: str

    def __post_init__(self) -> None:
        finite("at", self.at)
        one_of("how", self.how, get_args(PressKind))


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionRefused(Fact):
    """Something that was asked for was not done.

    Attributes:
        action: What was asked for.
        why: In words, with what to do.
    """

    action: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LooperChanged(Fact):
    """A looper went from one state to another, as far as the bridge knows.

    Attributes:
        looper: The looper's name.
        was: The state before.
        now: The state from ``at`` on.
        why: What made it so.
        beats: Length of what was recorded in beats of its deck, when a recording closes; None otherwise.
    """

    looper: str
    was: LooperState
    now: LooperState
    why: str
    beats: float | None = None

    def __post_init__(self) -> None:
        finite("at", self.at)
        one_of("was", self.was, get_args(LooperState))
        one_of("now", self.now, get_args(LooperState))
        if self.beats is not None:
            within("beats", self.beats, 0.0, 1e6)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopMeasured(Fact):
    """How far a loop that plays and its tape have come apart.

    Attributes:
        looper: The looper's name.
        apart: Beats by which the tape is ahead of the loop, -0.5..0.5: they meet again at a whole beat.
        ms: The same in ms.
    """

    looper: str
    apart: float
    ms: float

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("apart", self.apart, -0.5, 0.5)
        within("ms", self.ms, -60_000, 60_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class CueFired(Fact):
    """A cue did what it says.

    Attributes:
        cue: The cue's name.
        why: The moment that it waited for, or by hand.
    """

    cue: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BarCounted(Fact):
    """Somebody said where bar one of a deck is.

    Attributes:
        deck: The deck's name.
    """

    deck: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AllQuieted(Fact):
    """Held notes and contacts were ended and all loopers closed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeckStands(Fact):
    """How a deck stands at ``at``. The listener tells the sender a few times a second; the journal has no need of it.

    Attributes:
        deck: The deck's name.
        state: State of its follower.
        runs: Whether its tape can be heard.
        tempo: Tempo in bpm that is followed or held; None where there is none.
        beats: The deck's beats at ``at``, fraction included and counted from any of them; None where there is none.
    """

    deck: str
    state: FollowerState
    runs: bool
    tempo: float | None = None
    beats: float | None = None

    def __post_init__(self) -> None:
        finite("at", self.at)
        one_of("state", self.state, get_args(FollowerState))
        if self.tempo is not None:
            checked_tempo(self.tempo)
        if self.beats is not None:
            within("beats", self.beats, -(10**9), 10**9)


@dataclass(frozen=True, slots=True, kw_only=True)
class OscCounted(Fact):
    """What came over OSC since this part of the bridge began; told once a minute at most, if not all of it was done.

    Attributes:
        received: Messages and packets that were none: as many as the next three together, and what waits for its time.
        handled: Messages that were done.
        refused: Messages that were not: unknown, not allowed from where they came, too many at once, too far ahead.
        malformed: Packets that were no OSC.
        lost: Packets that the system dropped before they could be read, where it tells.
        why: Why the newest of those refused or malformed was not done; empty where there was none.
    """

    received: int
    handled: int
    refused: int
    malformed: int
    lost: int = 0
    why: str = ""

    def __post_init__(self) -> None:
        finite("at", self.at)
        for name in ("received", "handled", "refused", "malformed", "lost"):
            within(name, getattr(self, name), 0, 10**12)


@dataclass(frozen=True, slots=True, kw_only=True)
class StageStands(Fact):
    """What loopers, cues, bars and meeting points say to the eye at ``at``; the journal has no need of it.

    Attributes:
        lines: In plain words, the most pressing first.
    """

    lines: tuple[str, ...]
