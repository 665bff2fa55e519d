"""What no single table of a rig can know: names that repeat, decks that are not there, two clocks on one port.

The rules read what `tomllib` gave, before types and ranges are settled, so that a fault elsewhere hides none of them.
What has a wrong type is passed over here; `bridge.rig_text` tells it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import MISSING, fields
from difflib import get_close_matches
from fractions import Fraction
from itertools import product
from typing import Any, TypeGuard

from bridge.rig import OF_THE_CLOCK, Pedal
from bridge.toml_lines import KeyPath, line_of
from bridge.units import FLAC_CHANNELS

Finding = tuple[KeyPath, str, str]
"""A key, what was found there, and what to do about it."""

_Tables = dict[int, dict[str, Any]]

DEFAULTS: dict[str, Any] = {"listens_to": None} | {
    field.name: field.default for field in fields(Pedal) if field.default is not MISSING
}
"""What a pedal holds where its table leaves a key out."""


def broken_rules(raw: dict[str, Any], lines: dict[KeyPath, int]) -> Iterator[Finding]:
    """Yield every breach of a rule between tables.

    Args:
        raw: The whole rig as `tomllib` read it.
        lines: Line of each key, since a clash names both places.
    """
    decks, pedals = tables(raw, "decks"), tables(raw, "pedals")
    yield from repeated_names("decks", decks, lines)
    yield from repeated_names("pedals", pedals, lines)
    names = [deck["name"] for deck in decks.values() if isinstance(deck.get("name"), str)]
    for index, pedal in pedals.items():
        yield from stranger(("pedals", index, "listens_to"), pedal.get("listens_to"), "deck", names)
    yield from _two_clocks(pedals, lines)
    yield from _taps_that_are_not_dry(decks, lines)
    yield from _too_many_to_keep(decks, raw.get("take"))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that is most like ``word``; None if none is."""
    return next(iter(get_close_matches(word.lower(), list(known), n=1, cutoff=0.5)), None)


def shown(value: Any) -> str:
    """Return a value as ``= value`` with a blank behind it, cut at 60 signs; nothing for a table."""
    if isinstance(value, dict) or (isinstance(value, list) and any(isinstance(item, dict) for item in value)):
        return ""
    try:
        text = str(value) if isinstance(value, float) else json.dumps(value, ensure_ascii=False, default=str)
    except ValueError:  # Python writes out no whole number of more than 4300 digits
        text = "a number of thousands of digits"
    return f"= {text} " if len(text) <= 60 else f"= {text[:57]}... "


def quoted(names: Iterable[str]) -> str:
    """Return names, each once, as a list to read: ``"north", "south"``, or ``none``."""
    return ", ".join(f'"{name}"' for name in dict.fromkeys(names)) or "none"


def tables(raw: dict[str, Any], key: str) -> _Tables:
    """Return the tables of a list of tables by their position, without what is no table."""
    items = raw.get(key)
    return {i: item for i, item in enumerate(items) if isinstance(item, dict)} if isinstance(items, list) else {}


def repeated_names(key: str, tables: _Tables, lines: dict[KeyPath, int]) -> Iterator[Finding]:
    """Yield every name that a list of tables has twice."""
    first: dict[str, int] = {}
    for index, table in tables.items():
        name = table.get("name")
        if isinstance(name, str) and first.setdefault(name, index) != index:
            line = line_of(lines, (key, first[name], "name"))
            yield (key, index, "name"), f"{shown(name)}is taken already, in line {line}", "Give it a name of its own"


def stranger(key: KeyPath, name: Any, kind: str, known: list[str]) -> Iterator[Finding]:
    """Yield that a key names somebody who is not in the rig, if it does."""
    if isinstance(name, str) and name not in known:
        near = nearest(name, known)
        guess = f'Did you mean "{near}"? ' if near else ""
        yield key, f"{shown(name)}is no {kind} of this rig", f"{guess}{kind.capitalize()}s: {quoted(known)}"


def _two_clocks(pedals: _Tables, lines: dict[KeyPath, int]) -> Iterator[Finding]:
    """System real-time messages have no channel, so a port carries one clock, for however many pedals."""
    first: dict[str, int] = {}
    for index, pedal in pedals.items():
        port, ways = pedal.get("port"), pedal.get("sync", ["clock"])
        if not isinstance(port, str) or not isinstance(ways, list) or "clock" not in ways:
            continue
        other = pedals[first.setdefault(port, index)]
        clashes = [key for key in OF_THE_CLOCK if other is not pedal and _clock(pedal, key) != _clock(other, key)]
        if clashes:
            one, two = (_clock_text(pedals[i], clashes, lines[("pedals", i)]) for i in (first[port], index))
            remedy = f"Give one of them another port, or both the same {' and '.join(clashes)}"
            yield ("pedals", index, "port"), f"{shown(port)}would carry two clocks: {one}; {two}", remedy


def _clock(pedal: dict[str, Any], key: str) -> Any:
    value = pedal.get(key, DEFAULTS[key])
    try:
        return Fraction(value) if key == "ratio" else tuple(value) if isinstance(value, list) else value
    except (ValueError, TypeError, ZeroDivisionError):
        return value


def _clock_text(pedal: dict[str, Any], keys: list[str], line: int) -> str:
    values = (f"{key} {shown(pedal[key]).strip()}" if key in pedal else f"no {key}" for key in keys)
    return f"{shown(pedal.get('name', '')).removeprefix('= ')}(line {line}) with {', '.join(values)}"


def _taps_that_are_not_dry(decks: _Tables, lines: dict[KeyPath, int]) -> Iterator[Finding]:
    """A dry tap is of one deck alone, and carries what no mix does."""
    for index, deck in decks.items():
        places = [(other, "channels") for other in decks] + [(other, "dry") for other in decks if other < index]
        for channel, (other, key) in product(_ints(deck.get("dry")), places):
            if channel in _ints(decks[other].get(key)):
                line = line_of(lines, ("decks", other, key))
                found = f"{shown(deck['dry'])}names input {channel}, which is in {key} of line {line} too"
                yield ("decks", index, "dry"), found, "Name the input of this deck's own dry tap, or leave the key out"
                break


def _ints(value: Any) -> list[int]:
    return [item for item in value if isinstance(item, int)] if isinstance(value, list) else []


def _too_many_to_keep(decks: _Tables, take: Any) -> Iterator[Finding]:
    if isinstance(take, dict) and take.get("sound") is False:
        return
    for key, what in (("channels", "channels"), ("dry", "inputs of dry taps")):
        named: set[int] = set()
        for index, deck in decks.items():
            named |= set(_ints(deck.get(key)))
            if len(named) > FLAC_CHANNELS:
                found = f"{shown(deck[key])}makes {len(named)} {what} in all, and a take keeps {FLAC_CHANNELS} at most"
                yield ("decks", index, key), found, "Name fewer, or keep no sound: sound = false under [take]"
                break


def number(value: Any) -> TypeGuard[float]:
    """Return whether a value of TOML is a number."""
    return isinstance(value, (int, float)) and not isinstance(value, bool)
