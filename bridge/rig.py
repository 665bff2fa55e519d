"""What is plugged in: the rig as the rest of the bridge sees it, frozen and checked.

`bridge.rig_text` reads it from a TOML file and tells all faults at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

OnChange = Literal["glides", "jumps", "mutes"]
"""What a pedal does to its sound when its delay time changes."""


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
        channels: One to four input channels, counted from 1.
        tempo_range: Slowest and fastest tempo in bpm at the speed it plays.
    """

    name: str
    channels: tuple[int, ...]
    tempo_range: tuple[float, float] = (40.0, 160.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pedal:
    """One pedal on one MIDI port.

    Attributes:
        name: The performer's name for it.
        port: MIDI output: exact name, or a unique part of it, or one of `Midi.virtual`.
        listens_to: Name of the deck whose beat it gets.
        ratio: Clock beats per beat of the deck.
        delay_ms: Shortest and longest delay time that it can make, in ms.
        tempo: Slowest and fastest clock that it takes, in bpm.
        on_change: What it does to its sound when its time changes.
        repeats_heard: Repeats that one can hear, 1..100; divides the slew limit.
        begin_tempo: Tempo of its clock before any beat was found, in bpm; None sends nothing until then.
    """

    name: str
    port: str
    listens_to: str
    ratio: Fraction = Fraction(1)
    delay_ms: tuple[float, float] = (20.0, 2000.0)
    tempo: tuple[float, float] = (30.0, 300.0)
    on_change: OnChange = "glides"
    repeats_heard: int = 6
    begin_tempo: float | None = None


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
        sound: Whether the inputs are recorded as FLAC.
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
        take: What is kept.
    """

    path: str
    sound: SoundInput
    decks: tuple[Deck, ...]
    pedals: tuple[Pedal, ...] = ()
    midi: Midi = Midi()
    osc: Osc | None = None
    take: TakePlan = TakePlan()
