"""Facts as plain values and back: the one form that the journal and the link between the processes share."""

from __future__ import annotations

import dataclasses
from typing import Any

from bridge import events, events_hand, events_sent
from bridge.events import Fact

FACTS: dict[str, type[Fact]] = {
    kind.__name__: kind
    for kind in (vars(events) | vars(events_hand) | vars(events_sent)).values()
    if isinstance(kind, type) and issubclass(kind, Fact) and kind is not Fact
}
"""Every fact by its class name."""


def as_record(fact: Fact) -> dict[str, Any]:
    """Return a fact as plain values: its fields, and its class under ``fact``."""
    return {"fact": type(fact).__name__} | {f.name: getattr(fact, f.name) for f in dataclasses.fields(fact)}


def from_record(record: dict[str, Any]) -> Fact:
    """Return the fact that `as_record` wrote.

    Raises:
        ValueError: The class is unknown, a field is missing that has no default, unknown, of a wrong type, or out of
            range.
    """
    fields = dict(record)
    name = fields.pop("fact", None)
    kind = FACTS.get(name) if isinstance(name, str) else None
    if kind is None:
        raise ValueError(f"no fact is called {name!r}")
    wanted = {f.name: str(f.type) for f in dataclasses.fields(kind)}
    needed = {f.name for f in dataclasses.fields(kind) if f.default is dataclasses.MISSING}
    if not needed <= fields.keys() <= wanted.keys():
        raise ValueError(f"{name} needs the fields {', '.join(wanted)}, got {', '.join(fields) or 'none'}")
    return kind(**{key: _typed(f"{name}.{key}", value, wanted[key]) for key, value in fields.items()})


_TYPES: dict[str, tuple[type, ...]] = {
    "float": (float, int),
    "float | None": (float, int, type(None)),
    "int": (int,),
    "str": (str,),
    "tuple[str, ...]": (list, tuple),
}


def _typed(name: str, value: Any, wanted: str) -> Any:
    accepted = _TYPES.get(wanted, (str,))  # every other annotation is a Literal of strings
    if type(value) not in accepted:  # a bool is no number here
        raise ValueError(f"{name} must be {wanted}, got {value!r}")
    if wanted == "tuple[str, ...]":
        return tuple(_typed(name, item, "str") for item in value)
    return float(value) if "float" in wanted and value is not None else value
