"""The tables of a rig that are played without a free hand, as `bridge.rig_tables` has the others."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AfterValidator, Field

from bridge.actions import VERBS, action_of
from bridge.rig_foot import EdgeKind, IfLost
from bridge.rig_foot_words import MOMENTS, TRIGGERS, WIRES, moment_of, starts_of, trigger_of, wire_of
from bridge.rig_table import Name, Table, Tempo, Text, each_once, may, must, refused


def _read_by(read: Callable[[str], Any]) -> AfterValidator:
    def validate(text: str) -> Any:
        try:
            return read(text)
        except ValueError as error:
            raise refused(str(error)) from error

    return AfterValidator(validate)


def _action(text: str) -> Any:
    try:
        return action_of(text)
    except ValueError as error:
        raise refused(f"is no action: {error}") from error


Messages = Annotated[list[Annotated[str, _read_by(wire_of)]], Field(min_length=1, max_length=32)]
Action = Annotated[str, AfterValidator(_action)]
MidiChannel = Annotated[int, Field(ge=1, le=16)]

_MESSAGES = f"Give one or more messages, {WIRES}"
_ACTION = f'Give an action, such as "tap: north". Known: {", ".join(VERBS)}'
_OUTPUT = "Give the name of a MIDI output, or a unique part of it, as tapebridge ports lists it"


class EdgeTable(Table):
    """A table ``[loopers.record]``, ``play``, ``overdub``, ``stop`` or ``clear``."""

    messages: Messages = must(_MESSAGES)
    kind: EdgeKind = may('Write "absolute", or "toggle" if what it does rests on what the looper does already')


class LooperTable(Table):
    """A table ``[[loopers]]``."""

    name: Name = must("Give the looper a name of its own, 1..40 signs on one line")
    port: Text = may(_OUTPUT)
    channel: MidiChannel = may("Give the MIDI channel of its messages, 1..16")
    listens_to: Name = must("Give the name of one of the decks")
    pedal: Name = may("Give the name of the pedal that it is part of, or leave the key out")
    starts_on: Annotated[str, _read_by(starts_of)] = may('Write "now", "beat", "bar", or a number of beats: "4 beats"')
    bars: Annotated[int, Field(ge=1, le=64)] = may("Give bars, 1..64, or leave the key out to close it by foot")
    latency_ms: Annotated[float, Field(ge=-500, le=500)] = may(
        "Give the time from a message to its effect in ms, -500..500"
    )
    if_lost: IfLost = may('Write "fire" or "give up"')
    record: EdgeTable = must("Write a table [loopers.record] with the messages that begin a recording")
    play: EdgeTable = may("Write a table [loopers.play], or leave it out")
    overdub: EdgeTable = may("Write a table [loopers.overdub], or leave it out")
    stop: EdgeTable = may("Write a table [loopers.stop], or leave it out")
    clear: EdgeTable = may("Write a table [loopers.clear], or leave it out")


class CueTable(Table):
    """A table ``[[cues]]``."""

    name: Name = must("Give the cue a name of its own, 1..40 signs on one line")
    when: Annotated[str, _read_by(moment_of)] = must(f"Give a moment, {MOMENTS}")
    does: Annotated[list[Action], Field(max_length=32)] = may(_ACTION)
    messages: Messages = may(_MESSAGES)
    port: Text = may(_OUTPUT)
    channel: MidiChannel = may("Give the MIDI channel of its messages, 1..16")
    again: bool = may("Write true to let it fire each time, or false for once")


class SwitchTable(Table):
    """A table ``[[switches]]``."""

    name: Name = must("Give the switch a name of its own, 1..40 signs on one line")
    trigger: Annotated[str, _read_by(trigger_of)] = must(f"Give what it sends, {TRIGGERS}")
    port: Text = may("Give the name of a MIDI input, or a unique part of it, as tapebridge ports lists it")
    channel: MidiChannel = may("Give a MIDI channel, 1..16, or leave the key out for any")
    threshold: Annotated[int, Field(ge=1, le=127)] = may("Give the value from which on it is pressed, 1..127")
    hysteresis: Annotated[int, Field(ge=0, le=126)] = may("Give how far below it is released, 0..126")
    press: Action = may(_ACTION)
    hold: Action = may(_ACTION)
    double: Action = may(_ACTION)
    hold_s: Annotated[float, Field(ge=0.2, le=3)] = may("Give seconds, 0.2..3")
    double_s: Annotated[float, Field(ge=0.1, le=1)] = may("Give seconds, 0.1..1")


class LampTable(Table):
    """A table ``[[lamps]]``."""

    shows: Text = must('Give what it tells and of whom, such as "beat: north" or "armed: loop box"')
    port: Text = must(_OUTPUT)
    channel: MidiChannel = may("Give the MIDI channel of its messages, 1..16")
    on: Messages = must(_MESSAGES)
    off: Messages = must(_MESSAGES)


class OscInTable(Table):
    """The table ``[osc_in]``."""

    host: Text = may('Give the address to listen at, such as "127.0.0.1" for this machine alone')
    port: Annotated[int, Field(ge=1, le=65535)] = must("Give the UDP port to listen at, 1..65535")
    allow: Annotated[list[str], AfterValidator(each_once)] = may(
        f"Give verbs that other machines may ask for. Known: {', '.join(v for v in VERBS if not VERBS[v].erases)}"
    )


class TapeTable(Table):
    """A table ``[[decks.tapes]]``."""

    name: Name = must("Give the tape a name, 1..40 signs on one line")
    tempo: Tempo = may("Give its tempo in bpm at the speed that it is played at, 20..400, or leave the key out")
