"""Every OSC address that goes out or comes in, version 1: one table, which is sent from, listened to and printed.

NAME stands for a name of the rig; what OSC 1.0 forbids in the parts of an address becomes a hyphen there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bridge.actions import LOOP_STATES, TEXT_MAX, VERBS, Kind

VERSION = 1
"""Second part of every address. It grows when an address goes, or changes its meaning; new ones leave it as it is."""

ROOT = f"/tapebridge/{VERSION}"
"""How every address begins, but those that the switches of a rig name."""

DO = f"{ROOT}/do"
"""Takes a whole line, as a switch has it: ``tap: north``. Below it stands an address for each verb."""

_TAKES: dict[Kind, str] = {
    "deck": "a deck's name",
    "pedal": "a pedal's name",
    "looper": "a looper's name",
    "cue": "a cue's name",
    "text": "text",
    "loop state": "a state",
}
_RANGES: dict[Kind, str] = {"text": f"1..{TEXT_MAX} characters", "loop state": ", ".join(LOOP_STATES)}


@dataclass(frozen=True, slots=True)
class OscAddress:
    """One row of the table.

    Attributes:
        address: With NAME for a name.
        way: Whether it is sent or listened to.
        types: OSC type tags of its arguments.
        unit: What the arguments are, in order.
        range: Least and most, or the words that may come; "any" for names and text.
        meaning: What it tells or does, and when.
    """

    address: str
    way: Literal["out", "in"]
    types: str
    unit: str
    range: str
    meaning: str


def address_of(verb: str) -> str:
    """Return the address that asks for a verb of `bridge.actions.VERBS`."""
    return f"{DO}/{verb.replace(' ', '-')}"


def _out(address: str, types: str, unit: str, span: str, meaning: str) -> OscAddress:
    return OscAddress(f"{ROOT}/{address}", "out", types, unit, span, meaning)


def _in(verb: str) -> OscAddress:
    what = VERBS[verb]
    meaning = f"{what.does}{'; never from another machine' if what.erases else ''}"
    unit = ", ".join(_TAKES[kind] for kind in what.of) or "nothing"
    span = ", ".join(_RANGES.get(kind, "any of the rig") for kind in what.of) or "-"
    return OscAddress(address_of(verb), "in", "s" * len(what.of) or "-", unit, span, meaning)


OUT = (
    _out("deck/NAME/tempo", "f", "bpm", "20..400", "heard tempo, at every beat"),
    _out("deck/NAME/beat", "i", "beats", "0..", "beats since the follower began, at every beat"),
    _out("deck/NAME/state", "s", "word", "idle, listening, following, holding", "state of the follower, as it changes"),
    _out(
        "deck/NAME/change",
        "s",
        "word",
        "started, stopped, another tape, speed switch",
        "what happened to the deck, as it is known; not what a mixer's output only lets suppose",
    ),
    _out("deck/NAME/one", "i", "bar", "1", "bar one is here, said somebody"),
    _out("pedal/NAME/tempo", "f", "bpm", "20..400", "tempo of the pedal's clock, as it is told"),
    _out("pedal/NAME/taps", "f", "bpm", "20..400", "tempo that was tapped into the pedal, after each burst"),
    _out("pedal/NAME/delay_ms", "f", "ms", "0..", "delay time that the pedal was told, in drift once a second at most"),
    _out(
        "looper/NAME/state",
        "s",
        "word",
        "idle, armed, recording, playing, overdubbing, stopped, unknown",
        "state of the looper, as it changes",
    ),
    _out("looper/NAME/apart_beats", "f", "beats", "-0.5..0.5", "how far the tape is ahead of the loop that plays"),
    _out("looper/NAME/apart_ms", "f", "ms", "-60000..60000", "the same as a time"),
    _out("cue", "s", "a cue's name", "any", "the cue fired"),
    _out("mark", "s", "text", "any", "a mark's text, as it is placed"),
)
"""All that is sent."""

IN = (
    OscAddress(DO, "in", "s", "a line", "-", 'any of what follows as a switch has it, such as "tap: north"'),
    *map(_in, VERBS),
)
"""All that is listened to, besides the addresses of a rig's switches."""

TABLE = (*OUT, *IN)
"""The whole table."""

SWITCH_NOTE = (
    "An address of a rig's switch closes it without arguments or with a number that is not 0, and opens it with 0. "
    "Address patterns (? * [a-c] {a,b}) and bundles with time tags are taken, a minute ahead at most. From another "
    "machine only what [osc_in] allow names is done."
)
"""What the table cannot say."""
