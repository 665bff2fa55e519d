"""The tables and keys that a rig may hold, each with its range and the words that say what it wants.

Nothing but `bridge.rig_text` uses these: they check types and ranges of what `tomllib` read. Defaults live in
`bridge.rig` alone, so an optional key that is absent stays absent here.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

from bridge.rig import OnChange
from bridge.units import RATE_MAX, RATE_MIN, TEMPO_MAX, TEMPO_MIN

RATIO_MIN, RATIO_MAX = Fraction(1, 4), Fraction(4)
"""Clock beats per beat of the deck that a rig may ask for."""

REFUSED = "refused"
"""Type of the pydantic errors raised here; their text is what was found, ready to follow the value."""

_Item = TypeVar("_Item")


def _refused(found: str) -> PydanticCustomError:
    return PydanticCustomError(REFUSED, "{found}", {"found": found})


def _one_line(text: str) -> str:
    if not text.isprintable() or text != text.strip():
        raise _refused("has blanks at an end, or signs that cannot be shown")
    return text


def _folder_name(text: str) -> str:
    if bad := sorted(set(text) & set('/\\:*?"<>|')):
        raise _refused(f"has {' '.join(bad)} in it, which not every system allows in a folder's name")
    if text.endswith("."):
        raise _refused("ends in a dot, which not every system allows in a folder's name")
    return text


def _ascending(pair: list[float]) -> list[float]:
    if len(pair) != 2:
        raise _refused(f"has {len(pair)} numbers instead of 2")
    if not pair[0] < pair[1]:
        raise _refused("does not go from low to high")
    return pair


def _each_once(items: list[_Item]) -> list[_Item]:
    for index, item in enumerate(items):
        if item in items[:index]:
            raise _refused(f"has {item} twice")
    return items


def _ratio(text: str) -> Fraction:
    parts = re.fullmatch(r"([0-9]{1,3})/([0-9]{1,3})", text)
    if not parts or int(parts[2]) == 0:
        raise _refused("is no fraction")
    ratio = Fraction(int(parts[1]), int(parts[2]))
    if not RATIO_MIN <= ratio <= RATIO_MAX:
        raise _refused(f"is outside {RATIO_MIN}..{RATIO_MAX}")
    return ratio


def _clock_only(ways: list[str]) -> list[str]:
    if ways != ["clock"]:
        raise _refused("asks for a way that the bridge does not have")
    return ways


Text = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_one_line)]
Name = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_one_line)]
Tempo = Annotated[float, Field(ge=TEMPO_MIN, le=TEMPO_MAX)]
TempoRange = Annotated[list[Tempo], AfterValidator(_ascending)]
Delay = Annotated[float, Field(ge=1, le=60_000)]
Channel = Annotated[int, Field(ge=1, le=64)]


def _must(wants: str) -> Any:
    return Field(description=wants)


def _may(wants: str) -> Any:
    return Field(default=None, description=wants)  # an absent key is left unset and never read


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)


class SoundTable(_Table):
    """The table ``[sound]``."""

    device: Text = _may("Give the name of a sound input, or a unique part of it, as tapebridge ports lists it")
    rate: Annotated[int, Field(ge=RATE_MIN, le=RATE_MAX)] = _may(
        f"Give whole frames per second, {RATE_MIN}..{RATE_MAX}, or leave the key out for the device's own"
    )
    block: Annotated[int, Field(ge=32, le=4096)] = _may("Give a whole number of frames, 32..4096")
    latency_ms: Annotated[float, Field(ge=0, le=1000)] = _may(
        "Give milliseconds, 0..1000, or leave the key out for what the device says of itself"
    )


class DeckTable(_Table):
    """A table ``[[decks]]``."""

    name: Name = _must("Give the deck a name of its own, 1..40 signs on one line")
    channels: Annotated[list[Channel], Field(min_length=1, max_length=4), AfterValidator(_each_once)] = _must(
        "Give 1 to 4 input channels, counted from 1 up to 64, each once, such as [1, 2]"
    )
    tempo_range: TempoRange = _may("Give the slowest and the fastest tempo in bpm, 20..400, such as [40, 160]")


class PedalTable(_Table):
    """A table ``[[pedals]]``."""

    name: Name = _must("Give the pedal a name of its own, 1..40 signs on one line")
    port: Text = _must("Give the name of a MIDI output, or a unique part of it, as tapebridge ports lists it")
    listens_to: Name = _must("Give the name of one of the decks")
    sync: Annotated[list[str], AfterValidator(_clock_only)] = _may(
        'Write ["clock"], or leave the key out: a pedal is told its tempo by MIDI clock only'
    )
    ratio: Annotated[str, AfterValidator(_ratio)] = _may(
        'Give clock beats per beat of the deck as a fraction in quotes, "1/4" to "4/1", such as "1/1", "3/4" or "2/3"'
    )
    delay_ms: Annotated[list[Delay], AfterValidator(_ascending)] = _may(
        "Give the shortest and the longest delay time in ms, 1..60000, such as [20, 2000]"
    )
    tempo: TempoRange = _may("Give the slowest and the fastest clock in bpm, 20..400, such as [30, 300]")
    on_change: OnChange = _may('Write "glides", "jumps" or "mutes"')
    repeats_heard: Annotated[int, Field(ge=1, le=100)] = _may("Give a whole number of repeats, 1..100")
    begin_tempo: Tempo = _may(
        "Give a tempo in bpm, 20..400, or leave the key out to send nothing before a beat is found"
    )


class MidiTable(_Table):
    """The table ``[midi]``."""

    api: Literal["alsa", "jack", "coremidi", "windows"] = _may(
        'Write "alsa", "jack", "coremidi" or "windows", or leave the key out for the system\'s own'
    )
    virtual: Annotated[list[Text], AfterValidator(_each_once)] = _may(
        'Give the names of the outputs that the bridge makes itself, each once, such as ["Pedals A"]'
    )


class OscTable(_Table):
    """The table ``[osc]``."""

    host: Text = _may('Give a host name or an address, such as "127.0.0.1" for this machine')
    port: Annotated[int, Field(ge=1, le=65535)] = _must("Give the UDP port of the receiver, 1..65535")


class TakeTable(_Table):
    """The table ``[take]``."""

    name: Annotated[Name, AfterValidator(_folder_name)] = _may("Give a name that a folder can have, 1..40 signs")
    folder: Text = _may("Give the folder in which takes are to land")
    sound: bool = _may("Write true or false")


class RigTable(_Table):
    """The whole file."""

    sound: SoundTable = _may("Write a table [sound], or leave it out")
    decks: Annotated[list[DeckTable], Field(min_length=1)] = _must(
        "Write a table [[decks]] for each deck, with a name and its channels"
    )
    pedals: list[PedalTable] = _may("Write a table [[pedals]] for each pedal, or none")
    midi: MidiTable = _may("Write a table [midi], or leave it out")
    osc: OscTable = _may("Write a table [osc], or leave it out")
    take: TakeTable = _may("Write a table [take], or leave it out")
