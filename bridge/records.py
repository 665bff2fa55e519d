"""Facts as plain values and back: the one form that the journal and the link between the processes share."""

from __future__ import annotations

import dataclasses
from typing import Any, NamedTuple

from bridge import events, events_foot, events_hand, events_host, events_sent
from bridge.events import Fact

FACTS: dict[str, type[Fact]] = {
    kind.__name__: kind
    for kind in (vars(events) | vars(events_foot) | vars(events_hand) | vars(events_host) | vars(events_sent)).values()
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
    name = record.get("fact")
    form = _FORMS.get(name) if isinstance(name, str) else None
    if form is None:
        raise ValueError(f"no fact is called {name!r}")
    fields = {key: value for key, value in record.items() if key != "fact"}
    if tuple(fields) == form.names and tuple(map(type, fields.values())) == form.types:
        return form.kind(**fields)  # as it is mostly written: a long journal has a million lines
    if not form.needed <= fields.keys() <= form.annotated.keys():
        raise ValueError(f"{name} needs the fields {', '.join(form.names)}, got {', '.join(fields) or 'none'}")
    return form.kind(**{key: _typed(f"{name}.{key}", value, form.annotated[key]) for key, value in fields.items()})


class _Form(NamedTuple):
    """How a fact is read back.

    Attributes:
        kind: Its class.
        names: Its fields.
        types: The types that their values mostly have; a list never is right as it is.
        annotated: The annotation of each field.
        needed: Fields without a default.
    """

    kind: type[Fact]
    names: tuple[str, ...]
    types: tuple[type, ...]
    annotated: dict[str, str]
    needed: frozenset[str]


_TYPES: dict[str, tuple[type, ...]] = {
    "float": (float, int),
    "float | None": (float, int, type(None)),
    "int": (int,),
    "bool": (bool,),
    "str": (str,),
    "tuple[str, ...]": (list, tuple),
}


def _form(kind: type[Fact]) -> _Form:
    annotated = {f.name: str(f.type) for f in dataclasses.fields(kind)}
    types = (object if "tuple" in text else _TYPES.get(text, (str,))[0] for text in annotated.values())
    needed = (f.name for f in dataclasses.fields(kind) if f.default is dataclasses.MISSING)
    return _Form(kind, tuple(annotated), tuple(types), annotated, frozenset(needed))


_FORMS = {name: _form(kind) for name, kind in FACTS.items()}


def _typed(name: str, value: Any, wanted: str) -> Any:
    accepted = _TYPES.get(wanted, (str,))  # every other annotation is a Literal of strings
    if type(value) not in accepted:  # a bool is no number here
        raise ValueError(f"{name} must be {wanted}, got {value!r}")
    if wanted == "tuple[str, ...]":
        return tuple(_typed(name, item, "str") for item in value)
    return float(value) if "float" in wanted and value is not None else value
