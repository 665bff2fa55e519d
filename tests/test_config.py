"""The example rigs: they can be used as they stand, and they name everything that a rig can say."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import MISSING, fields
from fractions import Fraction
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from bridge.rig import DIVISIONS, Deck, Osc, Pedal, SoundInput, TakePlan, Taps, Times
from bridge.rig_foot import Cue, CueTrigger, Lamp, Looper, LooperEdge, OscInput, Switch, Trigger, Wire
from bridge.rig_foot_words import starts_of
from bridge.rig_tables import RigTable
from bridge.rig_text import read_rig
from bridge.toml_lines import KeyPath, key_lines

CONFIG = Path(__file__).parents[1] / "config"
EXAMPLES = sorted(CONFIG.glob("*.toml"))
EDGE = LooperEdge(messages=(Wire("start"),))
LOOPER = Looper(name="loop box", listens_to="north", record=EDGE)
SWITCH = Switch(name="left", trigger=Trigger(kind="cc", number=64))
LAMP = Lamp(shows="beat", of="north", port="Foot lights", on=(Wire("start"),), off=(Wire("stop"),))


def _known(model: type[BaseModel]) -> Iterator[tuple[str, ...]]:
    for name, field in model.model_fields.items():
        yield (name,)
        for kind in (field.annotation, *get_args(field.annotation)):
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                yield from ((name, *inner) for inner in _known(kind))


def _names(key: KeyPath) -> tuple[str, ...]:
    return tuple(part for part in key if isinstance(part, str))


def test_the_mixers_output_alone_makes_a_rig() -> None:
    rig = read_rig(CONFIG / "mixer-only.toml")
    assert [deck.name for deck in rig.decks] == ["mixer"]
    assert [pedal.name for pedal in rig.pedals] == ["long echo"]
    assert rig.sound.device is None
    assert rig.osc is None


def test_two_decks_and_four_pedals_make_a_rig() -> None:
    rig = read_rig(CONFIG / "two-decks.toml")
    assert [deck.name for deck in rig.decks] == ["north", "south"]
    assert [pedal.name for pedal in rig.pedals] == ["long echo", "loop box", "stutter", "short echo"]
    assert rig.osc is not None


def test_loopers_cues_switches_and_lamps_make_a_rig() -> None:
    rig = read_rig(CONFIG / "foot.toml")
    assert [looper.name for looper in rig.loopers] == ["loop box"]
    assert [cue.name for cue in rig.cues] == ["horns"]
    assert [switch.name for switch in rig.switches] == ["left", "tap"]
    assert [lamp.of for lamp in rig.lamps] == ["loop box"]
    assert rig.osc_in is not None


def test_the_two_larger_examples_show_every_key_that_there_is() -> None:
    """The exceptions are named in comments, since each excludes another key: an OSC address in place of a number, and
    a cue sheet in place of cues.
    """
    text = (CONFIG / "two-decks.toml").read_text()
    shown = {_names(key) for name in ("two-decks", "foot") for key in key_lines((CONFIG / f"{name}.toml").read_text())}
    excluded = {("pedals", "taps", "address"), ("pedals", "times", "address"), ("cue_sheet",)}
    assert set(_known(RigTable)) - shown == excluded
    assert shown <= set(_known(RigTable))
    assert '# cue_sheet = "' in (CONFIG / "foot.toml").read_text()
    for way in ("tap", "time"):
        assert f'address = "/short-echo/{way}"' in text


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_key_is_explained_where_it_first_stands(path: Path) -> None:
    """A key's first line ends in a comment, save for the names of whole tables that speak for themselves."""
    text = path.read_text().splitlines()
    first: dict[tuple[str, ...], int] = {}
    for key, line in sorted(key_lines(path.read_text()).items(), key=lambda item: item[1]):
        if not isinstance(key[-1], int) and len(_names(key)) >= 2:
            first.setdefault(_names(key), line)
    bare = [key for key, line in first.items() if " # " not in text[line - 1]]
    assert not bare


def test_the_defaults_that_the_comments_name_are_those_of_the_reader() -> None:
    """What the comments call `default 6` is what a rig without that key holds."""
    deck, pedal = Deck(name="north", channels=(1,)), Pedal(name="long echo", port="Pedals A", listens_to="north")
    tables = {"sound": SoundInput(), "decks": deck, "pedals": pedal, "osc": Osc(port=9000), "take": TakePlan()}
    tables |= {"taps": Taps(message="cc"), "times": Times(message="cc"), "osc_in": OscInput(port=9010)}
    tables |= {"cues": Cue(name="horns", trigger=CueTrigger(when="by hand")), "switches": SWITCH, "lamps": LAMP}
    tables |= {"loopers": LOOPER, "record": EDGE, "play": EDGE, "overdub": EDGE, "stop": EDGE, "clear": EDGE}
    told = set[tuple[str, str]]()
    for name in ("two-decks", "foot"):
        told |= _told_defaults((CONFIG / f"{name}.toml").read_text(), tables)
    told |= {(edge, "kind") for edge in ("play", "overdub", "stop", "clear")}  # as of record, which stands first
    explained = {(key[-2], key[-1]) for key in _known(RigTable) if len(key) > 1 and key[-2] in tables}
    assert {key for key in explained - told if _has_default(tables[key[0]], key[1])} == set()


def _told_defaults(text: str, tables: dict[str, Any]) -> set[tuple[str, str]]:
    """Return the keys whose default a text names, each of which is that of the reader."""
    told = set()
    for key, line in key_lines(text).items():
        comment = re.match(r"[^#\n]*((?:#[^\n]*\n? *)*)", "\n".join(text.splitlines()[line - 1 :]))
        default = re.search(r"default (\[[^]]*\]|\"[^\"]*\"|[0-9.]*[0-9]|true|false)", comment[1] if comment else "")
        if default:
            *_, table, name = _names(key)
            read = tomllib.loads(f"value = {default[1]}")["value"]
            assert getattr(tables[table], name) == _held(name, read), name
            told.add((table, name))
    return told


def _held(name: str, read: Any) -> Any:
    """Return what a rig holds of a value as the text writes it."""
    if name == "division":
        return DIVISIONS[read]
    if name == "starts_on":
        return starts_of(read)
    return Fraction(read) if name == "ratio" else tuple(read) if isinstance(read, list) else read


def _has_default(table: Any, name: str) -> bool:
    """Return whether the rig fills that key in with more than "none"."""
    found = [field for field in fields(table) if field.name == name]
    return bool(found) and found[0].default is not MISSING and found[0].default not in (None, (), "")
