"""The example rigs: they can be used as they stand, and they name everything that a rig can say."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel

from bridge.rig import Deck, Osc, Pedal, SoundInput, TakePlan
from bridge.rig_tables import RigTable
from bridge.rig_text import read_rig
from bridge.toml_lines import KeyPath, key_lines

CONFIG = Path(__file__).parents[1] / "config"
EXAMPLES = sorted(CONFIG.glob("*.toml"))


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


def test_two_decks_and_three_pedals_make_a_rig() -> None:
    rig = read_rig(CONFIG / "two-decks.toml")
    assert [deck.name for deck in rig.decks] == ["north", "south"]
    assert [pedal.name for pedal in rig.pedals] == ["long echo", "loop box", "short echo"]
    assert rig.osc is not None


def test_the_larger_example_shows_every_key_that_there_is() -> None:
    shown = {_names(key) for key in key_lines((CONFIG / "two-decks.toml").read_text())}
    assert shown == set(_known(RigTable))


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_key_is_explained_where_it_first_stands(path: Path) -> None:
    """A key's first line ends in a comment, save for the names of tables that speak for themselves."""
    text = path.read_text().splitlines()
    first: dict[tuple[str, ...], int] = {}
    for key, line in sorted(key_lines(path.read_text()).items(), key=lambda item: item[1]):
        if not isinstance(key[-1], int) and len(_names(key)) == 2:
            first.setdefault(_names(key), line)
    bare = [key for key, line in first.items() if " # " not in text[line - 1]]
    assert not bare


def test_the_defaults_that_the_comments_name_are_those_of_the_reader() -> None:
    """What the comments call `default 6` is what a rig without that key holds."""
    deck, pedal = Deck(name="north", channels=(1,)), Pedal(name="long echo", port="Pedals A", listens_to="north")
    tables = {"sound": SoundInput(), "decks": deck, "pedals": pedal, "osc": Osc(port=9000), "take": TakePlan()}
    text = (CONFIG / "two-decks.toml").read_text()
    told = set()
    for key, line in key_lines(text).items():
        comment = re.match(r"[^#\n]*((?:#[^\n]*\n? *)*)", "\n".join(text.splitlines()[line - 1 :]))
        default = re.search(r"default (\[[^]]*\]|\"[^\"]*\"|[0-9]+|true)", comment[1] if comment else "")
        if default:
            table, *_, name = _names(key)
            read = tomllib.loads(f"value = {default[1]}")["value"]
            held = getattr(tables[table], name)
            assert held == (tuple(read) if isinstance(read, list) else Fraction(read) if name == "ratio" else read), (
                name
            )
            told.add(name)
    pedal_keys = {"ratio", "delay_ms", "tempo", "on_change", "repeats_heard"}
    assert told == pedal_keys | {"block", "tempo_range", "host", "name", "folder", "sound"}
