"""Address patterns of OSC 1.0, matched without ever going back: no pattern takes long, whoever sent it.

Source: OSC 1.0 Specification, "OSC Message Dispatching and Pattern Matching".
"""

from __future__ import annotations

import re

WILD = frozenset("?*[]{}")
"""Signs that make an address a pattern."""

_Step = tuple[str, object]
"""One step of a pattern: "run"; "one" or "not" of a set of signs; one of some "words"."""


def matches(pattern: str, address: str) -> bool:
    """Return whether an address pattern means an address.

    ``?`` is any one sign, ``*`` any run of signs, ``[a-c]`` one of some, ``[!a-c]`` none of some, ``{foo,bar}`` one of
    several words; none reaches across a slash, so that both have as many parts.

    Raises:
        ValueError: A bracket or brace is not closed, or was not opened, or stands in another.
    """
    parts, names = pattern.split("/"), address.split("/")
    tokens = [_tokens(part) for part in parts]
    return len(tokens) == len(names) and all(map(_part_matches, tokens, names))


def _tokens(part: str) -> list[_Step]:
    found: list[_Step] = []
    place = 0
    for step in re.finditer(r"\*|\?|\[([^\[\]{}]*)\]|\{([^\[\]{}]*)\}|[^\[\]{}]", part):
        if step.start() != place:
            break
        place = step.end()
        text = step[0]
        if text == "*":
            found.append(("run", None))
        elif text == "?":
            found.append(("not", frozenset()))
        elif step[1] is not None:
            negated = step[1].startswith("!")
            found.append(("not" if negated else "one", _signs(step[1][negated:])))
        else:
            found.append(("words", tuple(step[2].split(",")) if step[2] is not None else (text,)))
    if place != len(part):
        raise ValueError(f'"{part:.60}" is no OSC pattern: [ ] and {{ }} come in pairs, none within another')
    return found


def _signs(text: str) -> frozenset[str]:
    """Return the signs in brackets; a hyphen at either end is itself."""
    signs: set[str] = set()
    for found in re.finditer(r"(.)-(.)|.", text):
        if found[1] is None:
            signs.add(found[0])
        else:
            signs.update(map(chr, range(ord(found[1]), min(ord(found[2]), 0x7E) + 1)))
    return frozenset(signs)


def _part_matches(tokens: list[_Step], name: str) -> bool:
    places = {0}  # how much of the name may be used up so far
    for kind, what in tokens:
        if kind == "run":
            places = set(range(min(places), len(name) + 1)) if places else places
        elif kind == "words" and isinstance(what, tuple):
            places = {place + len(word) for place in places for word in what if name.startswith(word, place)}
        elif isinstance(what, frozenset):
            places = {n + 1 for n in places if n < len(name) and (name[n] in what) == (kind == "one")}
    return len(name) in places
