"""The short texts with which a rig speaks of messages, switches and moments: ``cc 80 127``, ``north stops``.

Each function raises ValueError with words that follow the value: ``"cc 80 200" has a value above 127``.
"""

from __future__ import annotations

import re
from math import isfinite

from bridge.rig_foot import CueTrigger, Trigger, TriggerKind, Wire
from bridge.units import TEMPO_MAX, TEMPO_MIN

KEYS = (
    "space",
    "enter",
    "tab",
    "escape",
    "backspace",
    "up",
    "down",
    "left",
    "right",
    *"abcdefghijklmnopqrstuvwxyz0123456789",
)
"""Keys of the terminal that can be a switch. Ctrl-C ends the set, whatever else is pressed."""

WIRES = (
    'such as "cc 80 127", "note 36 100", "note off 36", "program 5", "start", "sysex F0 7D 01 F7", "osc /loop/record 1"'
)
TRIGGERS = 'such as "cc 64", "note 60", "program 3", "key space", "osc /foot/left"'
MOMENTS = (
    'such as "at 12:30", "4 bars after chorus on north", "north starts", "north stops", "beat returns on north", '
    '"north above 90", "north below 70", "by hand"'
)

_CONTROL_MAX = 119  # 120..127 are mode messages. Source: MIDI 1.0 Detailed Specification


def wire_of(text: str) -> Wire:
    """Return the message that a text stands for."""
    words = text.split()
    match words:
        case ["note", "off", number]:
            return Wire("note off", _seven(number, "a note"))
        case ["note", number, value]:
            return Wire("note", _seven(number, "a note"), _seven(value, "a velocity", low=1))
        case ["cc", number, value]:
            return Wire("cc", _seven(number, "a control", high=_CONTROL_MAX), _seven(value, "a value"))
        case ["program", number]:
            return Wire("program", _seven(number, "a program"))
        case ["start" | "stop" | "continue" as kind]:
            return Wire(kind)
        case ["sysex", *data]:
            return Wire("sysex", data=_sysex(data))
        case ["osc", address, *arguments]:
            return Wire("osc", address=_address(address), arguments=tuple(map(_argument, arguments)))
    raise ValueError("is no message that the bridge knows")


def trigger_of(text: str) -> Trigger:
    """Return what a switch sends, as a text tells it."""
    match text.split():
        case ["cc", number]:
            return Trigger(kind="cc", number=_seven(number, "a control", high=_CONTROL_MAX))
        case ["note" | "program" as kind, number]:
            return Trigger(kind=kind, number=_seven(number, f"a {kind}"))
        case ["key", key]:
            if key not in KEYS:
                raise ValueError(f"names a key that cannot be a switch; known: {', '.join(KEYS[:9])}, a to z, 0 to 9")
            return Trigger(kind="key", word=key)
        case ["osc", address]:
            return Trigger(kind="osc", word=_address(address))
    raise ValueError("is nothing that a switch sends")


def trigger_text(kind: TriggerKind, number: int = 0, word: str = "") -> str:
    """Return the text that `trigger_of` reads."""
    return f"{kind} {word or number}"


def moment_of(text: str) -> CueTrigger:
    """Return the moment that a text stands for."""
    if text == "by hand":
        return CueTrigger(when="by hand")
    if found := re.fullmatch(r"at (?:(\d{1,2}):)?(\d{1,3}):(\d{2})", text):
        return _time(*found.groups())
    if found := re.fullmatch(r"(\d{1,3}) bars? after (.+) on (.+)", text):
        return CueTrigger(when="bars after mark", bars=int(found[1]), mark=found[2], deck=found[3])
    if found := re.fullmatch(r"beat returns on (.+)", text):
        return CueTrigger(when="beat returns", deck=found[1])
    if found := re.fullmatch(r"(.+) (starts|stops)", text):
        return CueTrigger(when="starts" if found[2] == "starts" else "stops", deck=found[1])
    if found := re.fullmatch(r"(.+) (above|below) ([0-9.]+)", text):
        return CueTrigger(when="above" if found[2] == "above" else "below", deck=found[1], tempo=_tempo(found[3]))
    raise ValueError("is no moment that the bridge knows")


def starts_of(text: str) -> int:
    """Return how many beats lie between two moments at which a looper may start, as `bridge.rig_foot.Looper` has it."""
    words = {"now": 0, "beat": 1, "bar": -1}
    if text in words:
        return words[text]
    found = re.fullmatch(r"(\d{1,2}) beats", text)
    if not found or not 2 <= int(found[1]) <= 64:
        raise ValueError("is no moment on the beat that the bridge knows")
    return int(found[1])


def _time(hours: str | None, minutes: str, seconds: str) -> CueTrigger:
    if int(seconds) > 59 or (hours is not None and int(minutes) > 59):
        raise ValueError("is no time: after a colon come 00 to 59")
    return CueTrigger(when="time", seconds=3600.0 * int(hours or 0) + 60.0 * int(minutes) + int(seconds))


def _tempo(text: str) -> float:
    try:
        tempo = float(text)
    except ValueError:
        raise ValueError("has a tempo that is no number") from None
    if not TEMPO_MIN <= tempo <= TEMPO_MAX:
        raise ValueError(f"has a tempo outside {TEMPO_MIN:g}..{TEMPO_MAX:g} bpm")
    return tempo


def _seven(text: str, what: str, *, low: int = 0, high: int = 127) -> int:
    if not re.fullmatch(r"\d{1,9}", text):
        raise ValueError(f"has {what} that is no whole number")
    number = int(text)
    if number > high:
        raise ValueError(f"has {what} above {high}")
    if number < low:
        raise ValueError(f"has {what} below {low}")
    return number


def _sysex(words: list[str]) -> bytes:
    if not all(re.fullmatch(r"[0-9A-Fa-f]{2}", word) for word in words):
        raise ValueError("has bytes that are not two hexadecimal digits each")
    data = bytes(int(word, 16) for word in words)
    if len(data) < 3 or data[0] != 0xF0 or data[-1] != 0xF7 or any(byte > 127 for byte in data[1:-1]):
        raise ValueError("is no System Exclusive message: F0, bytes from 00 to 7F, F7")
    return data


def _address(text: str) -> str:
    if not re.fullmatch(r"/[!-~]+", text) or set(text) & set("#*,?[]{}"):
        raise ValueError("has no OSC address: a slash and printable ASCII without # * , ? [ ] { }")
    return text


def _argument(text: str) -> float | int | str:
    if re.fullmatch(r"[+-]?\d{1,9}", text):
        return int(text)
    try:
        value = float(text)
    except ValueError:
        return text
    return value if isfinite(value) else text
