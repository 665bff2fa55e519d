"""What the machine under a set granted, refused and did: facts in the vocabulary of `bridge.events`."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.events import Fact
from bridge.units import finite, within


@dataclass(frozen=True, slots=True, kw_only=True)
class SenderReady(Fact):
    """The process that owns the clocks came up, and was granted this much.

    Attributes:
        pid: Its process id.
        priority: "real time", "nice -10", "user interactive" or "normal".
        timer: How late the system may wake it by its own will, such as "1 ns"; "usual" where that cannot be chosen.
        memory: "locked", or "not locked": then the system may take it away meanwhile.
    """

    pid: int
    priority: str
    timer: str
    memory: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SleepInhibited(Fact):
    """The system does not go to sleep by itself while the set runs.

    Attributes:
        by: What keeps it awake.
    """

    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SleepPossible(Fact):
    """The system may go to sleep by itself, in the middle of the set.

    Attributes:
        why: Why it could not be asked to stay awake.
    """

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NetLost(Fact):
    """The learned net could not be read: decks that should go by it go by onsets alone, which find less.

    Attributes:
        why: Which file, and what was found.
    """

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DryTapTurned(Fact):
    """A deck's dry tap was given up for its channels, since it is silent and they are not; or it is heard again.

    Attributes:
        deck: The deck's name.
        is_heard: Whether the dry tap is what is heard from now on.
    """

    deck: str
    is_heard: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HostSuspended(Fact):
    """The whole machine was asleep until shortly before ``at``, and its host clock stood still.

    The clocks went on at their last tempo; where their beats lie against the tapes is unknown until one is heard.

    Attributes:
        slept_s: How long, in seconds.
    """

    slept_s: float

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("slept_s", self.slept_s, 0.0, 1e9)


@dataclass(frozen=True, slots=True, kw_only=True)
class FootLost(Fact):
    """The sender found the process that hears switches gone or hung, and starts another.

    Attributes:
        pid: Process id of the lost one.
        why: How it was lost.
    """

    pid: int
    why: str
