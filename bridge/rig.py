"""What is plugged in: the rig as the rest of the bridge sees it, frozen and checked.

`bridge.rig_text` reads it from a TOML file and tells all faults at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from bridge.rig_foot import Cue, Lamp, Looper, OscInput, Switch, Tape

FollowerKind = Literal["net", "onsets", "aubio"]
"""What finds a deck's beat: the learned net beside onsets, onsets alone, or aubio's tempo tracker as the reference."""

Sync = Literal["clock", "taps", "times"]
"""A way in which a pedal is told its tempo: MIDI clock, bursts of taps, or delay times as numbers."""

Needs = Literal["tempo", "beat"]
"""tempo: only how long a beat is (a delay); beat: also where it falls (a sequencer, a stutter, a looper)."""

OnChange = Literal["glides", "jumps", "mutes"]
"""What a pedal does to its sound when its delay time changes."""

StepWhen = Literal["now", "tail_quiet", "foot"]
"""When another tape's tempo, or another speed's, is passed on: at once, when the echoes have died, or at a go."""

HoldWhile = Literal["none", "recording", "loop"]
"""While what the clock keeps its tempo: nothing, a loop that is being recorded, any loop that records or plays."""

Transport = Literal["start", "stop", "continue", "song_position"]
"""A message that may go out beside the clock. Source: MIDI 1.0 Detailed Specification, System Real Time and Common."""

TapMessage = Literal["note", "cc", "program", "osc"]
"""What one tap is: a note and its end, a control's press and release, a program change, or an OSC message."""

TimeMessage = Literal["cc", "cc14", "nrpn", "osc"]
"""What carries a delay time: a control, a pair of controls (14 bits), a parameter number (14 bits), or OSC."""

Between = Literal["linear", "log"]
"""How a value lies between two points: with the time in ms, or with its logarithm."""

OF_THE_CLOCK = ("listens_to", "needs", "ratio", "latency_ms", "transport", "begin_tempo")
"""Keys in which the clocked pedals on one port agree, since a port carries one clock; their limits may differ."""

DIVISIONS = {
    "1/1": Fraction(4),
    "1/2.": Fraction(3),
    "1/2": Fraction(2),
    "1/4.": Fraction(3, 2),
    "1/2T": Fraction(4, 3),
    "1/4": Fraction(1),
    "1/8.": Fraction(3, 4),
    "1/4T": Fraction(2, 3),
    "1/8": Fraction(1, 2),
    "1/16.": Fraction(3, 8),
    "1/8T": Fraction(1, 3),
    "1/16": Fraction(1, 4),
    "1/16T": Fraction(1, 6),
}
"""Note values in beats, longest first: a dot makes one and a half of it, T (triplet) two thirds. Common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundInput:
    """Where the sound comes from.

    Attributes:
        device: Exact name or unique part of the name of a sound device; None for the system's default input.
        rate: Frames per second; None for the device's own.
        block: Frames per block, 32..4096.
        latency_ms: Time from the jack to the program in ms, on top of the length of a block; None for what the device
            says of itself.
    """

    device: str | None = None
    rate: int | None = None
    block: int = 512
    latency_ms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Deck:
    """One deck, or the mixer's output in place of both.

    Attributes:
        name: The performer's name for it.
        channels: One to four input channels, counted from 1: what is recorded and levelled.
        dry: Up to four input channels of a dry tap: where the beat, and what the hand does to the deck, are sought
            while it is not silent. Empty where there is none: `channels` are heard then.
        mixed: Whether `channels` carry several decks, as a mixer's output does: one is then heard to start or stop
            while another sounds on. A dry tap never does.
        tempo_range: Slowest and fastest tempo in bpm at the speed it plays.
        beats_in_bar: Beats in a bar, 1..16. Where a bar begins is for the foot to say.
        tapes: The tapes that are to be played on it, in order.
        follower: What finds its beat.
    """

    name: str
    channels: tuple[int, ...]
    dry: tuple[int, ...] = ()
    mixed: bool = False
    tempo_range: tuple[float, float] = (40.0, 160.0)
    beats_in_bar: int = 4
    tapes: tuple[Tape, ...] = ()
    follower: FollowerKind = "net"

    @property
    def inputs(self) -> tuple[int, ...]:
        """Every input channel that it needs."""
        return self.channels + self.dry


@dataclass(frozen=True, slots=True, kw_only=True)
class Taps:
    """How a pedal is tapped: short bursts on the beat, for a pedal that has a tap input and no clock.

    Attributes:
        message: What one tap is.
        number: Note, control or program, 0..127; None for OSC.
        address: OSC address, sent to the rig's `Osc` with `on` and then `off` as its one number; None otherwise.
        on: Velocity of the note, 1..127, or value that presses, 0..127; a program change has none.
        off: Value that releases, 0..127; a note ends by Note Off, whatever this says.
        count: Taps in a burst, 2..16. Pedals take the mean of the last few.
        every_s: Least time from a burst's last tap to the next burst in seconds, 2..600: each burst may be heard.
        drift_percent: A burst is worth it when the tempo is off by this share since the last one, 0.1..20 %.
        contact_ms: Time from press to release in ms, 5..200: long enough to be seen, never long enough for "hold".
    """

    message: TapMessage
    number: int | None = None
    address: str | None = None
    on: int = 127
    off: int = 0
    count: int = 4
    every_s: float = 20.0
    drift_percent: float = 1.0
    contact_ms: float = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """How a pedal is told its delay time as a number.

    Attributes:
        message: What carries it.
        number: Control 0..119 (cc), first control of the pair 0..31 (cc14), parameter 0..16382 (nrpn); None for OSC.
        address: OSC address, sent to the rig's `Osc`; None otherwise.
        points: Pairs of a delay time in ms and the value that makes it, in order of time, two or more; values are
            0..127 for cc, 0..16383 for cc14 and nrpn. Empty, for OSC alone: the value is the time in ms.
        between: How a value lies between two points.
        division: Delay time in beats of the deck times `Pedal.ratio`, one of `DIVISIONS`.
    """

    message: TimeMessage
    number: int | None = None
    address: str | None = None
    points: tuple[tuple[float, float], ...] = ()
    between: Between = "linear"
    division: Fraction = Fraction(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pedal:
    """One pedal: how it is reached, what it is told and within which limits, and how it behaves when told.

    Attributes:
        name: The performer's name for it.
        port: MIDI output: exact name, or a unique part of it, or one of `Midi.virtual`. Empty for a pedal that is
            reached by OSC alone.
        channel: MIDI channel of its taps and times, 1..16. Clock and transport have none.
        listens_to: Name of the deck whose beat it gets.
        sync: The ways in which it is told its tempo, at least one.
        needs: Whether only the length of a beat matters to it, or also where the beat falls.
        ratio: Beats that it is told per beat of the deck, 1/4..4: 3/2 for triplets, 2/3 for dotted.
        division: Longest note value that its own knob is set to, in beats of its clock: its delay time is that long.
        delay_ms: Shortest and longest delay time that it can make, in ms.
        tempo: Slowest and fastest tempo that it takes, in bpm.
        on_change: What it does to its sound when its time changes.
        repeats_heard: Repeats that one can hear, 1..100; divides the slew limit, and says how long a tail lasts.
        step: When a step of the tape (another tape, another speed) is passed on.
        hold_while: While what its tempo stands still.
        latency_ms: Time from a message to its effect in ms, -500..500: all that falls on a beat goes out so much
            earlier, or later if it is negative.
        transport: Which of Start, Stop, Continue and Song Position go out beside its clock.
        begin_tempo: Tempo of its clock before any beat was found, in bpm; None sends nothing until then.
        taps: How it is tapped; None unless `sync` has "taps".
        times: How it is told delay times; None unless `sync` has "times".
    """

    name: str
    port: str = ""
    channel: int = 1
    listens_to: str
    sync: tuple[Sync, ...] = ("clock",)
    needs: Needs = "tempo"
    ratio: Fraction = Fraction(1)
    division: Fraction = Fraction(1)
    delay_ms: tuple[float, float] = (20.0, 2000.0)
    tempo: tuple[float, float] = (30.0, 300.0)
    on_change: OnChange = "glides"
    repeats_heard: int = 6
    step: StepWhen = "now"
    hold_while: HoldWhile = "none"
    latency_ms: float = 0.0
    transport: tuple[Transport, ...] = ()
    begin_tempo: float | None = None
    taps: Taps | None = None
    times: Times | None = None

    @property
    def clocked(self) -> bool:
        """Whether it gets MIDI clock."""
        return "clock" in self.sync

    @property
    def clock(self) -> tuple[object, ...]:
        """What belongs to the clock of its port: the clocked pedals on one port agree in it."""
        return tuple(getattr(self, key) for key in OF_THE_CLOCK)


@dataclass(frozen=True, slots=True, kw_only=True)
class Midi:
    """How MIDI goes out.

    Attributes:
        api: "alsa", "jack", "coremidi" or "windows"; None for the system's own.
        virtual: Names of output ports that the bridge makes itself for others to connect to.
    """

    api: str | None = None
    virtual: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Osc:
    """Where OSC goes.

    Attributes:
        host: Host name or address.
        port: UDP port, 1..65535.
    """

    host: str = "127.0.0.1"
    port: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TakePlan:
    """What is kept of a set.

    Attributes:
        name: Last part of the take's folder name.
        folder: Folder in which takes land.
        sound: Whether the inputs are recorded as FLAC, dry taps in files of their own.
    """

    name: str = "set"
    folder: str = "recordings"
    sound: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """Everything that is plugged in. Names are unique; every pedal listens to a deck that exists.

    Attributes:
        path: The file that it was read from, as the user named it.
        sound: Where the sound comes from.
        decks: The decks, at least one.
        pedals: The pedals; none for a bridge that only watches.
        midi: How MIDI goes out.
        osc: Where OSC goes; None for nowhere.
        osc_in: Where OSC comes in; None for nowhere.
        take: What is kept.
        loopers: What records and plays loops.
        cues: What is done by itself.
        cue_sheet: Name of the file beside the rig that they stand in; empty where they stand in the rig.
        switches: What the foot, a key or another program can ask for.
        lamps: What is shown on a foot controller.
    """

    path: str
    sound: SoundInput
    decks: tuple[Deck, ...]
    pedals: tuple[Pedal, ...] = ()
    midi: Midi = Midi()
    osc: Osc | None = None
    osc_in: OscInput | None = None
    take: TakePlan = TakePlan()
    loopers: tuple[Looper, ...] = ()
    cues: tuple[Cue, ...] = ()
    cue_sheet: str = ""
    switches: tuple[Switch, ...] = ()
    lamps: tuple[Lamp, ...] = ()

    @property
    def channels(self) -> tuple[int, ...]:
        """The inputs that are recorded as the decks' sound, in the order of the columns of its files."""
        return tuple(sorted({channel for deck in self.decks for channel in deck.channels}))

    @property
    def taps(self) -> tuple[int, ...]:
        """The inputs of all dry taps, in the order of the columns of their files."""
        return tuple(sorted({channel for deck in self.decks for channel in deck.dry}))

    @property
    def inputs(self) -> int:
        """How many inputs of the sound device are needed: up to the highest that a deck names."""
        return max(channel for deck in self.decks for channel in deck.inputs)
