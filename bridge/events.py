"""What happened: the facts that every room of the bridge speaks in.

An event is a past-tense fact, frozen, and valid as soon as it exists: an illegal one cannot be built. Host times are
called ``at`` and counted in seconds of the one host clock that all processes share (`bridge.edge.host_clock`);
durations end in ``_s``; ``tempo`` is in bpm and one beat is a quarter note. Every event but `SoundHeard` can be written
down, in the one form of `bridge.records`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from bridge.units import checked_tempo, finite, one_of, period_s, within

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

FollowerState = Literal["idle", "listening", "following", "holding"]
"""idle: no signal; listening: signal, no beat yet; following; holding: beat gone, tempo kept."""

DeckChangeKind = Literal["started", "stopped", "another tape", "speed switch"]
"""What the hand did to a deck, as far as sound tells."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundHeard:
    """A block of sound from the inputs. The only event that is never written down.

    Attributes:
        frame: Number of the block's first frame since the sound began.
        at: Host time of the block's first frame, in seconds.
        samples: Shape (frames, channels), float32, full scale is 1.0; not to be kept or changed by the receiver.
    """

    frame: int
    at: float
    samples: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """Something that happened at a host time, and that the journal keeps.

    Attributes:
        at: Host time in seconds.

    Raises:
        ValueError: A field is not finite, or out of range.
    """

    at: float

    def __post_init__(self) -> None:
        finite("at", self.at)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeStarted(Fact):
    """The first fact of a take.

    Attributes:
        wall: Wall time at ``at``, in seconds since 1970 UTC.
        name: The take's name, as its folder has it.
        version: Version of Tape Bridge that wrote it.
        decks: Names of the decks, in the rig's order.
        pedals: Names of the pedals, in the rig's order.
    """

    wall: float
    name: str
    version: str
    decks: tuple[str, ...]
    pedals: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WallClockRead(Fact):
    """Host time and wall time side by side, once a minute.

    Attributes:
        wall: Wall time at ``at``, in seconds since 1970 UTC.
    """

    wall: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkPlaced(Fact):
    """The performer's own note in the take.

    Attributes:
        wall: Wall time at ``at``, in seconds since 1970 UTC.
        text: The note.
    """

    wall: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeEnded(Fact):
    """The last fact of a take that ended in order.

    Attributes:
        why: Who or what ended it.
    """

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenerStarted(Fact):
    """The process that hears, follows and writes came up.

    Attributes:
        pid: Its process id.
        start: 1 for the first start of the take, 2 for the first restart, and so on.
        rate: Frames of sound per second.
        source: What it hears: the sound device or file.
    """

    pid: int
    start: int
    rate: int
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenerLost(Fact):
    """The sender found the listener gone or hung; the clocks went on at their last tempo.

    Attributes:
        pid: Process id of the lost one.
        why: How it was lost.
    """

    pid: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PortOpened(Fact):
    """A MIDI output is ready.

    Attributes:
        port: The port's name as the rig has it.
        found: The full name that the system gives it.
    """

    port: str
    found: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PortLost(Fact):
    """A MIDI output is absent or failed; it is tried again every second.

    Attributes:
        port: The port's name as the rig has it.
        why: What the system said.
    """

    port: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TicksDropped(Fact):
    """Clock ticks were late after a stall, and left out instead of sent in a burst.

    Attributes:
        port: The port's name as the rig has it.
        count: How many ticks, 1 or more.
    """

    port: str
    count: int

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("count", self.count, 1, 10**9)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundLost(Fact):
    """Frames went missing on their way in, or the input stopped.

    Attributes:
        frames: How many frames are known to be missing; 0 where the number is unknown.
        why: What the system said.
    """

    frames: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundKept(Fact):
    """Where a frame of the kept sound lies in time: as it begins, after each gap in it, and about once a minute.

    Attributes:
        frame: Number of the frame that began at ``at``, since the listener's sound began: segments are named by it.
        decks: The deck that each channel of the segments belongs to, first channel first.
    """

    frame: int
    decks: tuple[str, ...]

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("frame", self.frame, 0, 10**15)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundNotKept(Fact):
    """Writing sound ended before the take did; the journal and the clock go on.

    Attributes:
        why: What the system said.
    """

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FactsLost(Fact):
    """Facts came while the journal's queue was full, on a full disk for instance, and were left out.

    Attributes:
        count: How many, 1 or more; the first of them at ``at``.
    """

    count: int

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("count", self.count, 1, 10**9)


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelHeard(Fact):
    """How loud a deck was over the last second.

    Attributes:
        deck: The deck's name.
        level_db: RMS level in dB relative to full scale, -120..40.
    """

    deck: str
    level_db: float

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("level_db", self.level_db, -120.0, 40.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowerChanged(Fact):
    """A follower went from one state to another.

    Attributes:
        deck: The deck that it hears.
        was: The state before.
        now: The state from ``at`` on.
    """

    deck: str
    was: FollowerState
    now: FollowerState

    def __post_init__(self) -> None:
        finite("at", self.at)
        one_of("was", self.was, get_args(FollowerState))
        one_of("now", self.now, get_args(FollowerState))


@dataclass(frozen=True, slots=True, kw_only=True)
class BeatPlaced(Fact):
    """A beat fixed on a deck's timeline; nothing may move it afterwards.

    Attributes:
        deck: The deck whose beat it is.
        index: Beats since its follower began; grows by exactly 1.
        tempo: Quarter notes per minute at this beat.
        confidence: 0..1: the share of such beats that is right, octaves aside, as `bridge.follow.trust` was fitted.
        known: Host time at which it was known, in seconds.
    """

    deck: str
    index: int
    tempo: float
    confidence: float
    known: float

    def __post_init__(self) -> None:
        finite("at", self.at)
        finite("known", self.known)
        within("index", self.index, 0, 10**9)
        within("confidence", self.confidence, 0.0, 1.0)
        checked_tempo(self.tempo)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeckChanged(Fact):
    """A deck was started, stopped, given another tape, or switched to another speed.

    Attributes:
        deck: The deck's name.
        change: What happened.
        tempo_before: Tempo before it in bpm; None where there was none.
        tempo_after: Tempo after it in bpm; None where there is none yet.
        level_before_db: Level before it in dB.
        level_after_db: Level after it in dB.
        known: Host time at which it was known, in seconds.
        sure: False where a mixer's output told it: a fader that is opened or shut sounds alike.
    """

    deck: str
    change: DeckChangeKind
    tempo_before: float | None
    tempo_after: float | None
    level_before_db: float
    level_after_db: float
    known: float
    sure: bool = True

    def __post_init__(self) -> None:
        finite("at", self.at)
        finite("known", self.known)
        one_of("change", self.change, get_args(DeckChangeKind))
        within("level_before_db", self.level_before_db, -120.0, 40.0)
        within("level_after_db", self.level_after_db, -120.0, 40.0)
        for tempo in (self.tempo_before, self.tempo_after):
            if tempo is not None:
                checked_tempo(tempo)


@dataclass(frozen=True, slots=True, kw_only=True)
class PedalTold(Fact):
    """A pedal was given a tempo: the newest straight piece of its line of beats against time.

    From ``at`` on the pedal's clock runs at ``tempo``; it goes on from the phase that it has, or gets onto ``beats`` if
    the pedal needs the beat itself. It is both the fact that the journal keeps and the order that the sender carries
    out. The pedal's latency is not in it.

    Attributes:
        pedal: The pedal's name.
        deck: The deck that it listens to.
        tempo: Tempo of the pedal's clock in bpm: the deck's tempo times ``ratio``.
        ratio: Clock beats per beat of the deck, after any folding by octaves.
        why: "begin", "drift", "phase", "step", "fold", or what else moved it.
        beats: The deck's beats at ``at``, fraction included and counted from any of them, times ``ratio``; None where
            nobody knows.
    """

    pedal: str
    deck: str
    tempo: float
    ratio: float
    why: str
    beats: float | None = None

    def __post_init__(self) -> None:
        finite("at", self.at)
        within("ratio", self.ratio, 1 / 64, 64)
        checked_tempo(self.tempo)
        if self.beats is not None:
            within("beats", self.beats, -(10**9), 10**9)

    @property
    def beat_at(self) -> float | None:
        """Host time of the pedal's newest beat at ``at``, in seconds; None where nobody knows."""
        return None if self.beats is None else self.at - (self.beats % 1.0) * period_s(self.tempo)
