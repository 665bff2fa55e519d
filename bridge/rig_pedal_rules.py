"""What the keys of one pedal ask of each other: a way of being told and its table, a message and its number.

As `bridge.rig_rules`, the rules read what `tomllib` gave, and pass over what has a wrong type.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from bridge.rig_rules import Finding, number, shown, tables
from bridge.toml_lines import KeyPath

NUMBERS = {"note": 127, "cc": 119, "program": 127, "cc14": 31, "nrpn": 16383}
"""Highest number of each message. Source: MIDI 1.0 Detailed Specification: controls 120..127 are mode messages, and
the pairs for 14 bits are controls 0..31 with 32..63."""

VALUES = {"cc": 127, "cc14": 16383, "nrpn": 16383}
"""Highest value that a message for delay times carries. Source: MIDI 1.0 Detailed Specification, 7 and 14 bits."""


def broken_pedal_rules(raw: dict[str, Any]) -> Iterator[Finding]:
    """Yield every breach of a rule between the keys of a pedal, and between a pedal and the table ``[osc]``."""
    for index, pedal in tables(raw, "pedals").items():
        key: KeyPath = ("pedals", index)
        yield from _ways_without_table(key, pedal)
        yield from _unreachable(key, pedal, "osc" in raw)
        yield from _transport_at_odds(key, pedal)
        for way in ("taps", "times"):
            if isinstance(pedal.get(way), dict):
                yield from _message_at_odds((*key, way), pedal[way])
        if isinstance(pedal.get("times"), dict):
            yield from _points_at_odds((*key, "times"), pedal["times"], pedal.get("delay_ms"))


def _ways(pedal: dict[str, Any]) -> list[Any]:
    ways = pedal.get("sync", ["clock"])
    return ways if isinstance(ways, list) else []


def _ways_without_table(key: KeyPath, pedal: dict[str, Any]) -> Iterator[Finding]:
    for way in ("taps", "times"):
        if way in _ways(pedal) and way not in pedal:
            remedy = f"Write a table [pedals.{way}] below the pedal, or take the word away"
            yield (*key, "sync"), f'{shown(pedal["sync"])}has "{way}", but no table says how', remedy
        elif way in pedal and way not in _ways(pedal) and isinstance(pedal.get("sync", []), list):
            found = f'is there, but "{way}" is not in sync'
            yield (*key, way), found, f'Write sync = ["{way}"], with what else is used, or take the table away'


def _unreachable(key: KeyPath, pedal: dict[str, Any], has_osc: bool) -> Iterator[Finding]:
    by_osc = {way: _message(pedal, way) == "osc" for way in ("taps", "times") if way in _ways(pedal)}
    if "port" not in pedal and not (by_osc and all(by_osc.values()) and "clock" not in _ways(pedal)):
        yield (*key, "port"), "is missing", "Give the name of a MIDI output, as tapebridge ports lists it"
    for way in (way for way, osc in by_osc.items() if osc and not has_osc):
        found = '= "osc" has nowhere to go: the rig has no table [osc]'
        yield (*key, way, "message"), found, "Write a table [osc] with the receiver's host and port"


def _message(pedal: dict[str, Any], way: str) -> Any:
    table = pedal.get(way)
    return table.get("message") if isinstance(table, dict) else None


def _transport_at_odds(key: KeyPath, pedal: dict[str, Any]) -> Iterator[Finding]:
    asked = pedal.get("transport")
    if not isinstance(asked, list) or not asked:
        return
    if "clock" not in _ways(pedal):
        yield (*key, "transport"), f"{shown(asked)}goes with a clock, and the pedal has none", 'Add "clock" to sync'
    if "song_position" in asked and "continue" not in asked:
        found = f'{shown(asked)}has "song_position" without "continue", and only that plays from a position'
        yield (*key, "transport"), found, 'Add "continue", or take "song_position" away'


def _message_at_odds(key: KeyPath, table: dict[str, Any]) -> Iterator[Finding]:
    """A MIDI message has a number within its range and no address; an OSC message has an address and no number."""
    message = table.get("message")
    if not isinstance(message, str) or message not in (*NUMBERS, "osc"):
        return
    wanted, needless = ("address", "number") if message == "osc" else ("number", "address")
    if wanted not in table:
        remedy = "Give its OSC address" if wanted == "address" else f"Give its number, 0..{NUMBERS[message]}"
        yield (*key, wanted), f'is missing, and message = "{message}" needs it', remedy
    if needless in table:
        yield (*key, needless), f'{shown(table[needless])}says nothing to message = "{message}"', "Take the key away"
    elif number(found := table.get("number")) and found > NUMBERS.get(message, found):
        said = f'{shown(found)}is above {NUMBERS[message]}, the highest that message = "{message}" has'
        yield (*key, "number"), said, f"Give a whole number, 0..{NUMBERS[message]}"
    if message == "note" and number(on := table.get("on")) and on == 0:
        yield (*key, "on"), "= 0 is the velocity of a note's end", "Give a velocity, 1..127"


def _points_at_odds(key: KeyPath, table: dict[str, Any], limits: Any) -> Iterator[Finding]:
    message, points = table.get("message"), table.get("points")
    most = VALUES.get(message) if isinstance(message, str) else None
    if points is None and most is not None:
        remedy = f"Give points of a time in ms and its value, 0..{most}, such as [[20, 0], [1500, {most}]]"
        yield (*key, "points"), f'is missing, and message = "{message}" needs it', remedy
    pairs = _pairs(points)
    for index, (_, value) in enumerate(pairs):
        if most is not None and not 0 <= value <= most:
            found = f'{shown(pairs[index])}has a value that message = "{message}" cannot carry'
            yield (*key, "points", index), found, f"Give values of 0..{most}"
    outside = pairs and _is_pair(limits) and not (pairs[0][0] <= limits[1] and pairs[-1][0] >= limits[0])
    if outside and pairs[0][0] < pairs[-1][0]:
        found = f"{shown(points)}makes no time within the pedal's delay_ms {shown(limits).strip()}"
        yield (*key, "points"), found, "Correct the one or the other"


def _pairs(points: Any) -> list[list[float]]:
    """Return the points, or none unless all are pairs of numbers."""
    return points if isinstance(points, list) and all(map(_is_pair, points)) else []


def _is_pair(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(map(number, value))
