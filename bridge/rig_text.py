"""Reads a rig from TOML, and tells everything that is wrong with it at once: line, key, what was found, what to do."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from bridge.errors import Fault, RigError
from bridge.rig import Deck, Midi, Osc, Pedal, Rig, SoundInput, TakePlan, Taps, Times
from bridge.rig_foot import Cue, Lamp, Looper, LooperEdge, OscInput, Switch, Tape
from bridge.rig_foot_rules import broken_foot_rules
from bridge.rig_foot_tables import EdgeTable, TapeTable
from bridge.rig_pedal_rules import broken_pedal_rules
from bridge.rig_rules import Finding, broken_rules, nearest, shown
from bridge.rig_table import REFUSED
from bridge.rig_tables import RigTable, TapsTable, TimesTable
from bridge.toml_lines import KeyPath, key_lines, key_text, line_of

_START = "Begin with a copy of config/two-decks.toml or config/mixer-only.toml"


def read_rig(path: Path) -> Rig:
    """Return the rig that a TOML file describes.

    Raises:
        RigError: The file cannot be read, or the rig cannot be used as written; holds every fault found.
    """
    return parse_rig(read_rig_text(path), str(path))


def read_rig_text(path: Path) -> str:
    """Return the text of a rig's file, without checking more than that it is text.

    Raises:
        RigError: The file cannot be read, or is not UTF-8.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise RigError([Fault(str(path), None, "", f"cannot be read: {error.strerror}", _START)]) from error
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{content[error.start]:02x} is no UTF-8 text"
        raise RigError([Fault(str(path), line, "", found, "Save the file as UTF-8")]) from error


def parse_rig(text: str, path: str) -> Rig:
    """Return the rig that a TOML text describes.

    Args:
        text: The text, with any line ends, with or without a byte order mark.
        path: The file that it stands for, as the user named it.

    Raises:
        RigError: The rig cannot be used as written; holds every fault found, in the order of lines.
    """
    raw, lines = _read_toml(text.removeprefix("\ufeff"), path)
    if not raw:
        raise RigError([Fault(path, None, "", "holds no rig", _START)])
    sheet = _read_cue_sheet(raw, lines, path)
    findings = [*broken_rules(raw, lines), *broken_pedal_rules(raw, lines), *broken_foot_rules(raw, lines)]
    table = None
    try:
        table = RigTable.model_validate(raw)
    except ValidationError as error:
        findings += _within(error)
    if table is None or findings:
        faults = [
            Fault(sheet if sheet and key[0] == "cues" else path, line_of(lines, key), key_text(key), found, remedy)
            for key, found, remedy in findings
        ]
        raise RigError(sorted(faults, key=lambda fault: (fault.path != path, fault.line or 0)))
    return _rig(table, path)


def _read_cue_sheet(raw: dict[str, Any], lines: dict[KeyPath, int], path: str) -> str:
    """Put the cues of a rig's cue sheet, and their lines, among those of the rig.

    Returns:
        The sheet's path; empty where there is none.
    """
    name = raw.get("cue_sheet")
    if not isinstance(name, str):
        return ""
    at, key = line_of(lines, ("cue_sheet",)), "cue_sheet"
    if "cues" in raw:
        raise RigError([Fault(path, at, key, "is there beside [[cues]]", "Write all cues in one of the two")])
    if Path(name).name != name:
        found = f"{shown(name)}is no plain file name"
        raise RigError([Fault(path, at, key, found, "Put the sheet beside the rig, so that a take can keep both")])
    sheet = str(Path(path).with_name(name))
    try:
        text = read_rig_text(Path(sheet))
    except RigError as error:
        found = f"{shown(name)}{error.faults[0].found}"
        raise RigError([Fault(path, at, key, found, "Name a TOML file of [[cues]] beside the rig")]) from error
    cues, cue_lines = _read_toml(text.removeprefix("\ufeff"), sheet)
    strangers = [
        Fault(sheet, line_of(cue_lines, (k,)), k, "is no cue", "Write [[cues]] alone") for k in set(cues) - {"cues"}
    ]
    if strangers:
        raise RigError(strangers)
    raw |= cues
    lines |= cue_lines
    return sheet


def _read_toml(text: str, path: str) -> tuple[dict[str, Any], dict[KeyPath, int]]:
    try:
        return tomllib.loads(text), key_lines(text)
    except tomllib.TOMLDecodeError as error:
        where = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", str(error))
        said = str(error)[: where.start()] if where else str(error)
        line = int(where[1]) if where and where[1] else text.rstrip().count("\n") + 1
        column = f" at column {where[2]}" if where and where[2] else ""
        remedy = 'Write key = value, with "quotes" round texts and [brackets] round lists'
        raise RigError([Fault(path, line, "", f"is no TOML{column}: {said}", remedy)]) from error
    except (RecursionError, ValueError) as error:  # tomllib stops at some hundred levels, and at 4300 digits
        found = "nests too deep, or has too long a number, to be a rig"
        raise RigError([Fault(path, None, "", found, _START)]) from error


def _rig(table: RigTable, path: str) -> Rig:
    return Rig(
        path=path,
        cue_sheet=table.cue_sheet or "",
        sound=SoundInput(**_given(table.sound)),
        decks=tuple(Deck(**_given(deck)) for deck in table.decks),
        pedals=tuple(Pedal(**_given(pedal)) for pedal in table.pedals or ()),
        midi=Midi(**_given(table.midi)),
        osc=Osc(**_given(table.osc)) if table.osc else None,
        osc_in=OscInput(**_given(table.osc_in)) if table.osc_in else None,
        take=TakePlan(**_given(table.take)),
        loopers=tuple(Looper(**_given(looper)) for looper in table.loopers or ()),
        cues=tuple(_cue(cue) for cue in table.cues or ()),
        switches=tuple(Switch(**_given(switch)) for switch in table.switches or ()),
        lamps=tuple(_lamp(lamp) for lamp in table.lamps or ()),
    )


def _cue(table: BaseModel) -> Cue:
    given = _given(table)
    return Cue(trigger=given.pop("when"), **given)


def _lamp(table: BaseModel) -> Lamp:
    given = _given(table)
    shows, _, name = (part.strip() for part in given.pop("shows").partition(":"))
    return Lamp(shows=shows, of=name, **given)


def _given(table: BaseModel | None) -> dict[str, Any]:
    """Return the keys that the text gives, so that `bridge.rig` fills in the others."""
    return {key: _frozen(getattr(table, key)) for key in (table.model_fields_set if table else ())}


def _frozen(value: Any) -> Any:
    for table, kind in _INNER.items():
        if isinstance(value, table):
            return kind(**_given(value))
    return tuple(map(_frozen, value)) if isinstance(value, list) else value


_INNER: dict[type[BaseModel], type] = {
    TapsTable: Taps,
    TimesTable: Times,
    EdgeTable: LooperEdge,
    TapeTable: Tape,
}
"""What the tables within tables become."""


def _within(error: ValidationError) -> Iterator[Finding]:
    mistaken = set()
    details = sorted(error.errors(include_url=False), key=lambda detail: detail["type"] != "extra_forbidden")
    for detail in details:
        key: KeyPath = detail["loc"]
        if detail["type"] == "extra_forbidden":
            known = tuple(_model(key[:-1]).model_fields)
            near = nearest(str(key[-1]), known)
            mistaken.add((*key[:-1], near))
            guess = f"Did you mean {near}? " if near else ""
            place = key_text(key[:-1]) or "a rig"
            yield key, "is not a known key", f"{guess}Known in {place}: {', '.join(known)}"
        elif detail["type"] != "missing":
            yield key, f"{shown(detail['input'])}{_complaint(detail)}", _wanted(key, detail["input"])
        elif key not in mistaken:  # the misspelt key is told already
            yield key, "is missing", _wanted(key, None)


def _complaint(detail: Mapping[str, Any]) -> str:
    kind, limits, value = detail["type"], detail.get("ctx", {}), detail["input"]
    if kind == REFUSED:
        return str(limits["found"])
    if kind == "greater_than_equal":
        return f"is below {limits['ge']:g}"
    if kind == "less_than_equal":
        return f"is above {limits['le']:g}"
    if kind in ("too_short", "string_too_short"):
        return "is empty"
    if kind in ("too_long", "string_too_long"):
        return f"is longer than {limits['max_length']}"
    if kind == "finite_number":
        return "is no finite number"
    if kind == "literal_error":
        return "is not a known word"
    return f"is {_kind(value)}"


def _wanted(key: KeyPath, value: Any) -> str:
    names = [part for part in key if isinstance(part, str)]
    if len(key) == 1 and isinstance(value, dict):
        return f"Write [[{key[0]}]], with two brackets"
    if len(key) == 1 and isinstance(value, list) and value:
        return f"Write [{key[0]}], with one bracket, and only once"
    depth = next(i for i, part in enumerate(key) if part == names[-1])
    field = _model(key[:depth]).model_fields[names[-1]]
    return str(field.description)


def _model(key: KeyPath) -> type[BaseModel]:
    """Return the model that a table of the rig is checked by; ``()`` is the whole file."""
    model: type[BaseModel] = RigTable
    for part in key:
        if isinstance(part, str):
            model = _table_of(model.model_fields[part])
    return model


def _table_of(field: FieldInfo) -> type[BaseModel]:
    kind: Any = field.annotation
    model: type[BaseModel] = next(iter(get_args(kind)), kind)  # list[Model] or Model
    return model


def _kind(value: Any) -> str:
    """Return what TOML calls a value, in plain words."""
    for kind, name in _KINDS.items():
        if isinstance(value, kind):
            return name
    return "a date or time"


_KINDS: dict[type, str] = {
    str: "a text",
    bool: "a boolean",  # before int, which it is to Python
    int: "a whole number",
    float: "a decimal number",
    list: "a list",
    dict: "a table",
}
