"""What the hand, the foot and the loopers did or told, and where a ratio was folded: facts, as in `bridge.events`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from bridge.events import Fact
from bridge.units import checked_tempo, finite, one_of, within

LoopState = Literal["recording", "playing", "stopped"]
"""What a looper does: recording takes in overdubs too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsOff(Fact):
    """A pedal was given back to its knobs: its clock ended, without a Stop, and nothing more is told to it.

    Attributes:
        pedal: The pedal's name; clocked pedals on the same port lose their clock with it.
    """

    pedal: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsOn(Fact):
    """A pedal that was given back to its knobs is told its tempo again.

    Attributes:
        pedal: The pedal's name.
    """

    pedal: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoKept(Fact):
    """The tempo that a deck's pedals have is kept from now on, whatever is heard.

    Attributes:
        deck: The deck's name.
    """

    deck: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoLetGo(Fact):
    """A deck's pedals follow again what is heard.

    Attributes:
        deck: The deck's name.
    """

    deck: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepAllowed(Fact):
    """A step of the tape that waits for the foot may be passed on now; where none waits, this changes nothing.

    Attributes:
        pedal: The pedal's name.
    """

    pedal: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopChanged(Fact):
    """A pedal's looper began to record or to play, or stopped.

    Attributes:
        pedal: The pedal's name.
        loop: What it does from ``at`` on.
    """

    pedal: str
    loop: LoopState

    def __post_init__(self) -> None:
        finite("at", self.at)
        one_of("loop", self.loop, get_args(LoopState))


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioFolded(Fact):
    """A pedal's ratio was moved by octaves to keep within its limits, or came back to that of the rig.

    Attributes:
        pedal: The pedal whose limit it was; those that share its clock are folded with it.
        asked: Beats of the pedal per beat of the deck that the rig asks for.
        ratio: The same from ``at`` on.
        why: In words, with the limit.
    """

    pedal: str
    asked: float
    ratio: float
    why: str

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("asked", self.asked, 1 / 64, 64)
        within("ratio", self.ratio, 1 / 64, 64)


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoNudged(Fact):
    """A deck's pedals were moved by hand a little faster or slower; their tempo is kept from then on.

    Attributes:
        deck: The deck's name.
        percent: By so much of their tempo, -20..20.
    """

    deck: str
    percent: float

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("percent", self.percent, -20.0, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PedalTurned(Fact):
    """A pedal listens to another deck from now on, and so do those that share its clock.

    Attributes:
        pedal: The pedal's name.
        deck: The deck's name.
    """

    pedal: str
    deck: str


Hand = HandsOff | HandsOn | TempoKept | TempoLetGo | StepAllowed | LoopChanged | TempoNudged | PedalTurned
"""What policies obey."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoTold(Fact):
    """Somebody said at about which tempo a deck plays: a tape's card, or a hand.

    Attributes:
        deck: The deck's name.
        tempo: In bpm, at the speed that the deck plays now.
    """

    deck: str
    tempo: float

    def __post_init__(self) -> None:
        finite("at", self.at)
        checked_tempo(self.tempo)


@dataclass(frozen=True, slots=True, kw_only=True)
class BeatTapped(Fact):
    """A foot or a hand tapped one beat of a deck, at ``at``.

    Attributes:
        deck: The deck's name.
    """

    deck: str

    def __post_init__(self) -> None:
        finite("at", self.at)


@dataclass(frozen=True, slots=True, kw_only=True)
class BeatShifted(Fact):
    """A foot or a hand moved a deck's beats by half a beat: they had been counted on the off-beat.

    Attributes:
        deck: The deck's name.
    """

    deck: str

    def __post_init__(self) -> None:
        finite("at", self.at)


@dataclass(frozen=True, slots=True, kw_only=True)
class BeatRecounted(Fact):
    """A foot or a hand said that a deck's beat is twice, or half, as fast as it was counted.

    Attributes:
        deck: The deck's name.
        factor: 2 or 0.5.
    """

    deck: str
    factor: float

    def __post_init__(self) -> None:
        finite("at", self.at)
        if self.factor not in (0.5, 2.0):
            raise ValueError(f"factor must be 0.5 or 2, got {self.factor!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeChosen(Fact):
    """A foot or a hand said which tape is in a deck.

    Attributes:
        deck: The deck's name.
        tape: The tape's name.
        tempo: Its tempo in bpm at the speed that it is played at; None where nobody knows.
    """

    deck: str
    tape: str
    tempo: float | None

    def __post_init__(self) -> None:
        finite("at", self.at)
        if self.tempo is not None:
            checked_tempo(self.tempo)


Told = TempoTold | BeatTapped | BeatShifted | BeatRecounted | TapeChosen
"""What followers obey: said of a deck by its tape's card, a hand or a foot."""
