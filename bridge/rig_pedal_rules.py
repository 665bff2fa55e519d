"""What the keys of one pedal ask of each other: a way of being told and its table, a message and its number.

As `bridge.rig_rules`, the rules read what `tomllib` gave, and pass over what has a wrong type.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import inf
from typing import Any

from bridge.rig import DIVISIONS
from bridge.rig_rules import DEFAULTS, Finding, number, quoted, shown, tables
from bridge.toml_lines import KeyPath, line_of
from bridge.units import TEMPO_MAX, TEMPO_MIN

NUMBERS = {"note": 127, "cc": 119, "program": 127, "cc14": 31, "nrpn": 16382}
"""Highest number of each message. Source: MIDI 1.0 Detailed Specification: controls 120..127 are mode messages, the
pairs for 14 bits are controls 0..31 with 32..63, and parameter 16383 selects none (that of NRPN from memory)."""

VALUES = {"cc": 127, "cc14": 16383, "nrpn": 16383}
"""Highest value that a message for delay times carries. Source: MIDI 1.0 Detailed Specification, 7 and 14 bits."""


TRANSPORT = ("start", "stop", "continue", "song_position")
"""What it takes to bring a sequencer back to its place after ticks were lost."""


def broken_pedal_rules(raw: dict[str, Any], lines: dict[KeyPath, int]) -> Iterator[Finding]:
    """Yield every breach of a rule between the keys of a pedal, between pedals, and between one and ``[osc]``.

    Args:
        raw: The whole rig as `tomllib` read it.
        lines: Line of each key, since a clash names both places.
    """
    pedals = tables(raw, "pedals")
    yield from _told_alike(pedals, lines)
    yield from _no_common_tempo(pedals, lines)
    for index, pedal in pedals.items():
        key: KeyPath = ("pedals", index)
        yield from _ways_without_table(key, pedal)
        yield from _unreachable(key, pedal, "osc" in raw)
        yield from _transport_at_odds(key, pedal)
        yield from _begins_outside(key, pedal)
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
    word = next((word for word in ("continue", "song_position") if word in asked), None)
    lacks = [word for word in TRANSPORT if word not in asked]
    if word is not None and lacks:
        found = (
            f'{shown(asked)}has "{word}" without {quoted(lacks)}: it brings a sequencer back to its place with all four'
        )
        yield (*key, "transport"), found, f'Add what lacks, or take "{word}" away'


def _begins_outside(key: KeyPath, pedal: dict[str, Any]) -> Iterator[Finding]:
    begin = pedal.get("begin_tempo")
    if not number(begin) or not TEMPO_MIN <= begin <= TEMPO_MAX:
        return
    if "clock" not in _ways(pedal):
        found = f"{shown(begin)}goes with a clock, and the pedal has none"
        yield (*key, "begin_tempo"), found, 'Add "clock" to sync, or take the key away'
        return
    for name, slowest, fastest in _limits(pedal):
        if not slowest <= begin <= fastest:
            found = (
                f"{shown(begin)}is outside the tempo that this pedal takes, {slowest:g}..{fastest:g} bpm by its {name}"
            )
            yield (*key, "begin_tempo"), found, f"Begin within it, or widen {name} to what the pedal can do"
            return


def _no_common_tempo(pedals: dict[int, dict[str, Any]], lines: dict[KeyPath, int]) -> Iterator[Finding]:
    """Limits that no tempo keeps, of one pedal or of those that share a clock: no octave would ever fit."""
    clocks: dict[str, list[int]] = {}
    for index, pedal in pedals.items():
        limits = list(_limits(pedal))
        if (clash := _apart(limits)) is not None:
            one, two = (f"{name} ({slowest:g}..{fastest:g} bpm)" for name, slowest, fastest in clash)
            found = f"has limits that no tempo keeps: {one}, {two}"
            yield ("pedals", index, "delay_ms"), found, "Correct the one or the other"
            continue
        if not isinstance(port := pedal.get("port"), str) or "clock" not in _ways(pedal):
            continue
        for other in clocks.setdefault(port, []):
            if (clash := _apart([*_limits(pedals[other]), *limits])) is not None:
                one, two = (f"{name} ({slowest:g}..{fastest:g} bpm)" for name, slowest, fastest in clash)
                whose = f"{quoted([str(pedals[other].get('name'))])} in line {lines[('pedals', other)]}"
                found = (
                    f"{shown(port)}carries one clock for this pedal and {whose}, and no tempo suits both: {one}, {two}"
                )
                yield ("pedals", index, "port"), found, "Give one of them another port, or correct a limit"
                break
        clocks[port].append(index)


_Limit = tuple[str, float, float]
"""The key that sets a limit, and the slowest and fastest tempo in bpm that it leaves."""


def _limits(pedal: dict[str, Any]) -> Iterator[_Limit]:
    """Yield the limits of a pedal, as `bridge.send.fold` has them."""
    ways, delay_ms, times = _ways(pedal), pedal.get("delay_ms", DEFAULTS["delay_ms"]), pedal.get("times")
    if ways != ["times"]:
        if _is_rising(tempo := pedal.get("tempo", DEFAULTS["tempo"])):
            yield "tempo", tempo[0], tempo[1]
        yield from _of_delay("delay_ms", pedal.get("division", "1/4"), delay_ms)
    if "times" in ways and isinstance(times, dict) and _is_rising(delay_ms):
        (low, high), pairs = delay_ms, _pairs(times.get("points"))
        if pairs:
            low, high = max(low, pairs[0][0]), min(high, pairs[-1][0])
        yield from _of_delay("times", times.get("division", "1/4"), (low, high))


def _of_delay(key: str, division: Any, delay_ms: Any) -> Iterator[_Limit]:
    beats = DIVISIONS.get(division) if isinstance(division, str) else None
    if beats is not None and _is_rising(delay_ms):
        yield key, float(60_000 * beats / delay_ms[1]), float(60_000 * beats / delay_ms[0])


def _apart(limits: list[_Limit]) -> tuple[_Limit, _Limit] | None:
    """Return two limits that no tempo keeps; None if one keeps all."""
    low = max(limits, key=lambda limit: limit[1], default=("", 0.0, inf))
    high = min(limits, key=lambda limit: limit[2], default=("", 0.0, inf))
    return (high, low) if low[1] > high[2] else None


def _told_alike(pedals: dict[int, dict[str, Any]], lines: dict[KeyPath, int]) -> Iterator[Finding]:
    """A message that two pedals take, or one pedal for a tap and for a time, would tell each what is the other's."""
    first: dict[tuple[Any, ...], tuple[int, str]] = {}
    for index, pedal in pedals.items():
        for way in (way for way in ("taps", "times") if way in _ways(pedal)):
            for place in dict.fromkeys(_places(pedal, way)):
                owner = first.setdefault(place, (index, way))
                if owner == (index, way):
                    continue
                line = line_of(lines, ("pedals", owner[0], owner[1], "number"))
                found = f"says {place[-1]}, which {quoted([str(pedals[owner[0]].get('name'))])} takes in line {line}"
                yield (
                    ("pedals", index, way, "message"),
                    found,
                    "Give one of them another port, channel, number or address",
                )
                break


def _places(pedal: dict[str, Any], way: str) -> Iterator[tuple[Any, ...]]:
    """Yield where a message goes and what it is, the last in words."""
    table, message = pedal.get(way), _message(pedal, way)
    if not isinstance(table, dict) or not isinstance(message, str):
        return
    if message == "osc":
        yield "osc", f"{table.get('address')}"
        return
    first, port, channel = table.get("number"), pedal.get("port"), pedal.get("channel", 1)
    if isinstance(first, int) and isinstance(port, str) and isinstance(channel, int):
        for control in (first, first + 32) if message == "cc14" else (first,):
            yield port, channel, f"{'cc' if message == 'cc14' else message} {control}"


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
    elif number(found := table.get("number")) and 16383 >= found > NUMBERS.get(message, found):
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


def _is_rising(value: Any) -> bool:
    return (
        isinstance(value, (list, tuple))
        and len(value) == 2
        and all(map(number, value))
        and 0 < value[0] < value[1] < inf
    )
