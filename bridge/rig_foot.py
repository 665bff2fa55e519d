"""What is played without a free hand: loopers, cues, switches and lamps, as the rest of the bridge sees them.

`bridge.rig.Rig` holds them; `bridge.rig_text` reads them from the rig's file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bridge.actions import Action

WireKind = Literal["note", "note off", "cc", "program", "start", "stop", "continue", "sysex", "osc"]
"""What a message that the user writes can be. Source: MIDI 1.0 Detailed Specification; OSC 1.0."""

EdgeKind = Literal["absolute", "toggle"]
"""absolute: it leads to the same state whatever was before; toggle: what it does rests on what the looper does."""

LooperState = Literal["idle", "armed", "recording", "playing", "overdubbing", "stopped", "unknown"]
"""idle: empty; armed: waits to record; stopped: holds a loop and is silent; unknown: nobody told."""

EDGES = ("record", "play", "overdub", "stop", "clear")
"""What a looper can be told. ``play`` also closes a recording or an overdub; ``stop`` does so in silence."""

IfLost = Literal["fire", "give up"]
"""What an armed looper does if the beat is lost: fire on the beat that is held, or not at all."""

CueWhen = Literal["time", "bars after mark", "starts", "stops", "beat returns", "above", "below", "by hand"]
"""What a cue waits for."""

TriggerKind = Literal["note", "cc", "program", "key", "osc"]
"""What a switch sends."""

LampShows = Literal["beat", "following", "holding", "kept", "hands off", "armed", "recording", "playing", "unknown"]
"""What a lamp tells: of a deck (beat, following, holding, kept), of a pedal (hands off), of a looper (the others)."""


@dataclass(frozen=True, slots=True)
class Wire:
    """One message as a user writes it: ``cc 80 127``, ``note 36 100``, ``program 5``, ``osc /loop/record 1``.

    Attributes:
        kind: What it is.
        number: Note, control or program, 0..127; 0 where there is none.
        value: Velocity or value, 0..127; 0 where there is none.
        data: A whole System Exclusive message, F0 and F7 included; empty otherwise.
        address: OSC address, which goes to the rig's receiver; empty otherwise.
        arguments: Of the OSC message.
    """

    kind: WireKind
    number: int = 0
    value: int = 0
    data: bytes = b""
    address: str = ""
    arguments: tuple[float | int | str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LooperEdge:
    """What a looper is sent to make it do something.

    Attributes:
        messages: In order, one or more.
        kind: Whether what it does rests on the looper's state.
    """

    messages: tuple[Wire, ...]
    kind: EdgeKind = "absolute"


@dataclass(frozen=True, slots=True, kw_only=True)
class Looper:
    """One looper: how it is reached, and what it takes to make it do something.

    Attributes:
        name: The performer's name for it.
        port: MIDI output; empty for one that is reached by OSC alone.
        channel: MIDI channel, 1..16.
        listens_to: Deck on whose beats it starts and closes.
        pedal: Pedal of the rig that it is part of, whose ``hold_while`` it moves; None for none.
        starts_on: Beats between two moments at which it may start or close: 0 at once, 1 any beat, N beats counted
            from bar one; -1 for any bar.
        bars: A recording closes by itself after so many bars, 1..64; None leaves it to the foot.
        latency_ms: Time from a message to its effect in ms, -500..500.
        if_lost: What it does if the beat is lost between arming and firing.
        record, play, overdub, stop, clear: What makes it do that; None where it cannot.
    """

    name: str
    port: str = ""
    channel: int = 1
    listens_to: str
    pedal: str | None = None
    starts_on: int = 1
    bars: int | None = None
    latency_ms: float = 0.0
    if_lost: IfLost = "give up"
    record: LooperEdge
    play: LooperEdge | None = None
    overdub: LooperEdge | None = None
    stop: LooperEdge | None = None
    clear: LooperEdge | None = None

    def edge(self, name: str) -> LooperEdge | None:
        """Return the edge of one of `EDGES`; None where the looper has none."""
        edge: LooperEdge | None = getattr(self, name)
        return edge


@dataclass(frozen=True, slots=True, kw_only=True)
class CueTrigger:
    """What a cue waits for.

    Attributes:
        when: The kind of moment.
        deck: The deck that it is about; None for a time, a hand.
        seconds: Since the take began; for "time".
        bars: Bars after the mark, 0..999, counted from bar one of the deck; for "bars after mark".
        mark: The mark's text, which begins so.
        tempo: In bpm; for "above" and "below".
    """

    when: CueWhen
    deck: str | None = None
    seconds: float = 0.0
    bars: int = 0
    mark: str = ""
    tempo: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """Something that is done by itself at a moment.

    Attributes:
        name: The performer's name for it.
        trigger: When.
        does: Actions, in order.
        messages: Sent first, in order.
        port: MIDI output of the messages; empty where they go by OSC.
        channel: MIDI channel of the messages, 1..16.
        again: Whether it fires each time that its moment comes, instead of once.
    """

    name: str
    trigger: CueTrigger
    does: tuple[Action, ...] = ()
    messages: tuple[Wire, ...] = ()
    port: str = ""
    channel: int = 1
    again: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Trigger:
    """What a switch sends when it is pressed.

    Attributes:
        kind: The kind of message.
        number: Note, control or program, 0..127; 0 where there is none.
        word: Name of the key, or OSC address; empty for MIDI.
    """

    kind: TriggerKind
    number: int = 0
    word: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """One switch of a foot controller, key of the terminal, or address of another program.

    Attributes:
        name: The performer's name for it.
        trigger: What it sends.
        port: MIDI input; empty for keys and OSC.
        channel: MIDI channel, 1..16; None for any.
        threshold: A control counts as pressed from this value on, 1..127.
        hysteresis: And as released once it is so far below it, 0..126.
        press, hold, double: What is done when it is pressed, held, or pressed twice; None for nothing. A switch that
            has neither hold nor double, or taps, acts as soon as it is pressed.
        hold_s: A press that lasts so long is a hold, 0.2..3 s.
        double_s: Two presses within it are a double, 0.1..1 s.
    """

    name: str
    trigger: Trigger
    port: str = ""
    channel: int | None = None
    threshold: int = 64
    hysteresis: int = 16
    press: Action | None = None
    hold: Action | None = None
    double: Action | None = None
    hold_s: float = 0.6
    double_s: float = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    """One light of a foot controller.

    Attributes:
        shows: What it tells.
        of: Name of the deck, pedal or looper that it tells of.
        port: MIDI output.
        channel: MIDI channel, 1..16.
        on, off: Messages that light it and put it out.
    """

    shows: LampShows
    of: str
    port: str
    channel: int = 1
    on: tuple[Wire, ...]
    off: tuple[Wire, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OscInput:
    """Where OSC comes in.

    Attributes:
        host: Address to listen at; beyond loopback only what ``allow`` names is done.
        port: UDP port, 1..65535.
        allow: Verbs that are taken from other machines.
    """

    host: str = "127.0.0.1"
    port: int
    allow: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Tape:
    """One tape of a deck's list.

    Attributes:
        name: The performer's name for it.
        tempo: In bpm, at the speed that it is played at; None where nobody knows.
    """

    name: str
    tempo: float | None = None
