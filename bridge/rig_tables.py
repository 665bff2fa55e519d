"""The tables and keys that a rig may hold, each with its range and the words that say what it wants.

Nothing but `bridge.rig_text` uses these: they check types and ranges of what `tomllib` read. Defaults live in
`bridge.rig` alone, so an optional key that is absent stays absent here.
"""

from __future__ import annotations

import re
from fractions import Fraction
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from bridge.rig import (
    DIVISIONS,
    Between,
    FollowerKind,
    HoldWhile,
    Needs,
    OnChange,
    StepWhen,
    Sync,
    TapMessage,
    TimeMessage,
    Transport,
)
from bridge.rig_foot_tables import CueTable, LampTable, LooperTable, OscInTable, SwitchTable, TapeTable
from bridge.rig_table import Name, Table, Tempo, Text, ascending, each_once, may, must, one_line, refused
from bridge.units import RATE_MAX, RATE_MIN

RATIO_MIN, RATIO_MAX = Fraction(1, 4), Fraction(4)
"""Clock beats per beat of the deck that a rig may ask for."""


def _folder_name(text: str) -> str:
    if bad := sorted(set(text) & set('/\\:*?"<>|')):
        raise refused(f"has {' '.join(bad)} in it, which not every system allows in a folder's name")
    if text.endswith("."):
        raise refused("ends in a dot, which not every system allows in a folder's name")
    return text


def _ratio(text: str) -> Fraction:
    parts = re.fullmatch(r"([0-9]{1,3})/([0-9]{1,3})", text)
    if not parts or int(parts[2]) == 0:
        raise refused("is no fraction")
    ratio = Fraction(int(parts[1]), int(parts[2]))
    if not RATIO_MIN <= ratio <= RATIO_MAX:
        raise refused(f"is outside {RATIO_MIN}..{RATIO_MAX}")
    return ratio


def _division(text: str) -> Fraction:
    if text not in DIVISIONS:
        raise refused("is no note value that the bridge knows")
    return DIVISIONS[text]


def _pair(point: list[float]) -> list[float]:
    if len(point) != 2:
        raise refused(f"has {len(point)} numbers instead of 2")
    if not 1 <= point[0] <= 60_000:
        raise refused("has a time outside 1..60000 ms")
    return point


def _points(points: list[list[float]]) -> list[list[float]]:
    if len(points) < 2:
        raise refused(f"has {len(points)} points, and a line needs 2")
    if any(not before[0] < after[0] for before, after in pairwise(points)):
        raise refused("has times that do not go up from point to point")
    return points


def _osc_address(text: str) -> str:
    if not text.startswith("/") or (bad := sorted(set(text) & set(" #*,?[]{}"))):
        raise refused("is no OSC address" if not text.startswith("/") else f"has {' '.join(bad)} in it")
    return text


TempoRange = Annotated[list[Tempo], AfterValidator(ascending)]
Delay = Annotated[float, Field(ge=1, le=60_000)]
Channel = Annotated[int, Field(ge=1, le=64)]
Ratio = Annotated[str, AfterValidator(_ratio)]
Division = Annotated[str, AfterValidator(_division)]
Address = Annotated[str, Field(max_length=200), AfterValidator(one_line), AfterValidator(_osc_address)]
Seven = Annotated[int, Field(ge=0, le=127)]
Fourteen = Annotated[int, Field(ge=0, le=16383)]


class SoundTable(Table):
    """The table ``[sound]``."""

    device: Text = may("Give the name of a sound input, or a unique part of it, as tapebridge ports lists it")
    rate: Annotated[int, Field(ge=RATE_MIN, le=RATE_MAX)] = may(
        f"Give whole frames per second, {RATE_MIN}..{RATE_MAX}, or leave the key out for the device's own"
    )
    block: Annotated[int, Field(ge=32, le=4096)] = may("Give a whole number of frames, 32..4096")
    latency_ms: Annotated[float, Field(ge=0, le=1000)] = may(
        "Give milliseconds, 0..1000, or leave the key out for what the device says of itself"
    )


class DeckTable(Table):
    """A table ``[[decks]]``."""

    name: Name = must("Give the deck a name of its own, 1..40 signs on one line")
    channels: Annotated[list[Channel], Field(min_length=1, max_length=4), AfterValidator(each_once)] = must(
        "Give 1 to 4 input channels, counted from 1 up to 64, each once, such as [1, 2]"
    )
    dry: Annotated[list[Channel], Field(min_length=1, max_length=4), AfterValidator(each_once)] = may(
        "Give 1 to 4 input channels of the deck's dry tap, counted from 1 up to 64, each once, or leave the key out"
    )
    mixed: bool = may("Write true where the channels carry several decks, as a mixer's output does, or false")
    tempo_range: TempoRange = may("Give the slowest and the fastest tempo in bpm, 20..400, such as [40, 160]")
    beats_in_bar: Annotated[int, Field(ge=1, le=16)] = may("Give a whole number of beats, 1..16")
    tapes: list[TapeTable] = may("Write a table [[decks.tapes]] for each tape, below the deck, or none")
    follower: FollowerKind = may(
        'Write "net" (the learned follower), "onsets", or "aubio" (a reference, to compare with)'
    )


_ADDRESS = 'Give an OSC address, such as "/long-echo/tap"; it goes to the receiver under [osc]'
_DIVISION = f"Give a note value in quotes: {', '.join(DIVISIONS)} (a dot for dotted, T for triplet)"


class TapsTable(Table):
    """The table ``[pedals.taps]``."""

    message: TapMessage = must('Write "note", "cc", "program" or "osc"')
    number: Seven = may("Give the note, control or program that is the tap, 0..127; none for OSC")
    address: Address = may(_ADDRESS)
    on: Seven = may("Give the velocity, or the value that presses, 0..127")
    off: Seven = may("Give the value that releases, 0..127")
    count: Annotated[int, Field(ge=2, le=16)] = may("Give a whole number of taps in a burst, 2..16")
    every_s: Annotated[float, Field(ge=2, le=600)] = may("Give the least time between two bursts in seconds, 2..600")
    drift_percent: Annotated[float, Field(ge=0.1, le=20)] = may(
        "Give the change of tempo in per cent that is worth a burst, 0.1..20"
    )
    contact_ms: Annotated[float, Field(ge=5, le=200)] = may("Give the time from press to release in ms, 5..200")


class TimesTable(Table):
    """The table ``[pedals.times]``."""

    message: TimeMessage = must('Write "cc", "cc14", "nrpn" or "osc"')
    number: Fourteen = may("Give the control, 0..119 (cc) or 0..31 (cc14), or the parameter, 0..16382 (nrpn)")
    address: Address = may(_ADDRESS)
    points: Annotated[list[Annotated[list[float], AfterValidator(_pair)]], AfterValidator(_points)] = may(
        "Give points of a time in ms, 1..60000, and the value that makes it, in order of time: [[20, 0], [1500, 127]]"
    )
    between: Between = may('Write "linear" or "log"')
    division: Division = may(_DIVISION)


class PedalTable(Table):
    """A table ``[[pedals]]``."""

    name: Name = must("Give the pedal a name of its own, 1..40 signs on one line")
    port: Text = may("Give the name of a MIDI output, or a unique part of it, as tapebridge ports lists it")
    channel: Annotated[int, Field(ge=1, le=16)] = may("Give the MIDI channel of its taps and times, 1..16")
    listens_to: Name = must("Give the name of one of the decks")
    sync: Annotated[list[Sync], Field(min_length=1), AfterValidator(each_once)] = may(
        'Give one or more of "clock", "taps" and "times", each once, such as ["clock"]'
    )
    needs: Needs = may('Write "tempo" (a delay), or "beat" (a sequencer, a stutter, a looper)')
    ratio: Ratio = may(
        'Give clock beats per beat of the deck as a fraction in quotes, "1/4" to "4/1", such as "1/1", "3/4" or "2/3"'
    )
    division: Division = may(_DIVISION)
    delay_ms: Annotated[list[Delay], AfterValidator(ascending)] = may(
        "Give the shortest and the longest delay time in ms, 1..60000, such as [20, 2000]"
    )
    tempo: TempoRange = may("Give the slowest and the fastest clock in bpm, 20..400, such as [30, 300]")
    on_change: OnChange = may('Write "glides", "jumps" or "mutes"')
    repeats_heard: Annotated[int, Field(ge=1, le=100)] = may("Give a whole number of repeats, 1..100")
    step: StepWhen = may('Write "now", "tail_quiet" or "foot"')
    hold_while: HoldWhile = may('Write "none", "recording" or "loop"')
    latency_ms: Annotated[float, Field(ge=-500, le=500)] = may(
        "Give the time from a message to its effect in ms, -500..500"
    )
    transport: Annotated[list[Transport], AfterValidator(each_once)] = may(
        'Give those of "start", "stop", "continue" and "song_position" that are to go out, each once; [] for none'
    )
    begin_tempo: Tempo = may(
        "Give a tempo in bpm, 20..400, or leave the key out to send nothing before a beat is found"
    )
    taps: TapsTable = may("Write a table [pedals.taps] below the pedal, or leave it out")
    times: TimesTable = may("Write a table [pedals.times] below the pedal, or leave it out")


class MidiTable(Table):
    """The table ``[midi]``."""

    api: Literal["alsa", "jack", "coremidi", "windows"] = may(
        'Write "alsa", "jack", "coremidi" or "windows", or leave the key out for the system\'s own'
    )
    virtual: Annotated[list[Text], AfterValidator(each_once)] = may(
        'Give the names of the outputs that the bridge makes itself, each once, such as ["Pedals A"]'
    )


class OscTable(Table):
    """The table ``[osc]``."""

    host: Text = may('Give a host name or an address, such as "127.0.0.1" for this machine')
    port: Annotated[int, Field(ge=1, le=65535)] = must("Give the UDP port of the receiver, 1..65535")


class TakeTable(Table):
    """The table ``[take]``."""

    name: Annotated[Name, AfterValidator(_folder_name)] = may("Give a name that a folder can have, 1..40 signs")
    folder: Text = may("Give the folder in which takes are to land")
    sound: bool = may("Write true or false")


class RigTable(Table):
    """The whole file."""

    sound: SoundTable = may("Write a table [sound], or leave it out")
    decks: Annotated[list[DeckTable], Field(min_length=1)] = must(
        "Write a table [[decks]] for each deck, with a name and its channels"
    )
    pedals: list[PedalTable] = may("Write a table [[pedals]] for each pedal, or none")
    midi: MidiTable = may("Write a table [midi], or leave it out")
    osc: OscTable = may("Write a table [osc], or leave it out")
    osc_in: OscInTable = may("Write a table [osc_in], or leave it out")
    take: TakeTable = may("Write a table [take], or leave it out")
    loopers: list[LooperTable] = may("Write a table [[loopers]] for each looper, or none")
    cues: list[CueTable] = may("Write a table [[cues]] for each cue, or none")
    cue_sheet: Text = may(
        "Give the path of a TOML file of [[cues]], from the rig's folder; above all tables of the rig"
    )
    switches: list[SwitchTable] = may("Write a table [[switches]] for each switch, or none")
    lamps: list[LampTable] = may("Write a table [[lamps]] for each lamp, or none")
