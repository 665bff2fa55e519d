"""Lines of keys in TOML text, held against `tomllib` and against texts whose lines are known as they are written."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.toml_lines import KeyPath, key_lines, key_text, line_of

TABLE = [
    ("", {}),
    ("# nothing but a comment", {}),
    ("a = 1", {("a",): 1}),
    ("\n\n a = 1 # why\n\tb = 2", {("a",): 3, ("b",): 4}),
    ("a = '#'\nb = 1", {("a",): 1, ("b",): 2}),
    ("a.b.c = 1\na.d = 2", {("a",): 1, ("a", "b"): 1, ("a", "b", "c"): 1, ("a", "d"): 2}),
    ("a . 'b.c' = 1", {("a",): 1, ("a", "b.c"): 1}),
    ('"a\\u0062" = 1\n\'c "d"\' = 2', {("ab",): 1, ('c "d"',): 2}),
    ("[a]\nb = 1\n[c.d]\ne = 2", {("a",): 1, ("a", "b"): 2, ("c",): 3, ("c", "d"): 3, ("c", "d", "e"): 4}),
    ("[a.b]\n[a]", {("a",): 2, ("a", "b"): 1}),
    ("[[a]]\nb = 1\n[[a]]\nb = 2", {("a",): 1, ("a", 0): 1, ("a", 0, "b"): 2, ("a", 1): 3, ("a", 1, "b"): 4}),
    ("[[a]]\n[a.b]\nc = 1", {("a",): 1, ("a", 0): 1, ("a", 0, "b"): 2, ("a", 0, "b", "c"): 3}),
    (
        "[[a]]\n[[a.b]]\n[[a]]\n[[a.b]]",
        {("a",): 1, ("a", 0): 1, ("a", 0, "b"): 2, ("a", 0, "b", 0): 2}
        | {("a", 1): 3, ("a", 1, "b"): 4, ("a", 1, "b", 0): 4},
    ),
    ("a = [\n  1, # one ]\n  2,\n]\nb = 1", {("a",): 1, ("a", 0): 2, ("a", 1): 3, ("b",): 5}),
    ("a = [[1],\n[2, 3]]", {("a",): 1, ("a", 0): 1, ("a", 0, 0): 1, ("a", 1): 2, ("a", 1, 0): 2, ("a", 1, 1): 2}),
    ("a = {b = 1, c.d = [\n2]}", {("a",): 1, ("a", "b"): 1, ("a", "c"): 1, ("a", "c", "d"): 1, ("a", "c", "d", 0): 2}),
    ("a = [{b = 1},\n{b = 2}]", {("a",): 1, ("a", 0): 1, ("a", 0, "b"): 1, ("a", 1): 2, ("a", 1, "b"): 2}),
    ('a = """\nb = 1\n"""\nc = 2', {("a",): 1, ("c",): 4}),
    ('a = """x\\"""\n""""\nc = 2', {("a",): 1, ("c",): 3}),
    ('a = """"""\nc = """"\n"two""""" # five\nd = 1', {("a",): 1, ("c",): 2, ("d",): 4}),
    ("a = '''\nb = \"\"\"\n''''\nc = 2", {("a",): 1, ("c",): 4}),
    ('a = \'\'\nb = "\\\\"\nc = "\\""\nd = 1', {("a",): 1, ("b",): 2, ("c",): 3, ("d",): 4}),
    ("a = 1979-05-27 07:32:00Z\nb = inf", {("a",): 1, ("b",): 2}),
    ("a = 1\r\nb = [\r\n1]\r\nc = 1\r\n", {("a",): 1, ("b",): 2, ("b", 0): 3, ("c",): 4}),
    ("\ufeffa = 1", {("a",): 1}),
]


@pytest.mark.parametrize(("text", "lines"), TABLE)
def test_every_way_to_write_a_key_has_its_line(text: str, lines: dict[KeyPath, int]) -> None:
    tomllib.loads(text.removeprefix("\ufeff"))  # the table itself is TOML
    assert key_lines(text) == lines


@pytest.mark.parametrize("text", ["a = [}", "\n]", "\n}", "a = {]"])
def test_text_that_is_no_toml_is_refused_instead_of_read_for_ever(text: str) -> None:
    with pytest.raises(ValueError, match=r"line \d is no TOML|Invalid|Expected"):
        key_lines(text)


def test_an_absent_key_is_looked_for_where_it_would_stand() -> None:
    lines = key_lines("[sound]\nrate = 48000\n[[pedals]]\nname = 'long echo'")
    assert line_of(lines, ("sound", "rate")) == 2
    assert line_of(lines, ("pedals", 0, "port")) == 3
    assert line_of(lines, ("decks",)) is None


def test_a_key_path_reads_as_it_is_written() -> None:
    assert key_text(("pedals", 0, "port")) == "pedals[0].port"
    assert key_text(("long echo", "x")) == '"long echo".x'


_NAMES = st.text(alphabet="ab#.\"' =[]{}\\é", max_size=5)
_TEXTS = st.text(alphabet="ab#\"'=[]{},\\\né", max_size=8)
_LEAVES = st.integers(-9, 9) | st.booleans() | _TEXTS
_VALUES = st.recursive(_LEAVES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_NAMES, inner, max_size=3))
_TABLES = st.dictionaries(_NAMES, _VALUES, max_size=4)


def _paths(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    if path:
        yield path
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield from _paths(inner, (*path, key))


class _Writer:
    """Writes TOML in styles drawn at random, and notes on which line it put each key."""

    def __init__(self, data: st.DataObject) -> None:
        self._draw = lambda options: data.draw(st.sampled_from(options))
        self.text = ""
        self.lines: dict[KeyPath, int] = {}

    def put(self, text: str) -> None:
        self.text += text

    def note(self, path: KeyPath) -> None:
        self.lines.setdefault(path, self.text.count("\n") + 1)

    def string(self, text: str) -> str:
        styles = [json.dumps(text, ensure_ascii=False)]
        if "'" not in text:
            styles.append(f"'''\n{text}'''")
        if "\\" not in text and '"' not in text:
            styles.append(f'"""{text}""' + '"')
        return self._draw(styles)

    def value(self, value: Any, path: KeyPath) -> None:
        if isinstance(value, list):
            self.put("[")
            for index, item in enumerate(value):
                self.put(self._draw(["", " ", "\n", " # ] }\n"]))
                self.note((*path, index))
                self.value(item, (*path, index))
                self.put(self._draw([",", "\n,", " , # [\n"]))
            self.put(self._draw(["]", "\n]"]))
        elif isinstance(value, dict):
            self.put("{")
            for index, (key, item) in enumerate(value.items()):
                self.put(", " if index else "")
                self.note((*path, key))
                self.put(json.dumps(key, ensure_ascii=False) + " = ")
                self.value(item, (*path, key))
            self.put("}")
        else:
            self.put(self.string(value) if isinstance(value, str) else str(value).lower())

    def table(self, table: dict[str, Any], path: KeyPath) -> None:
        for key, value in table.items():
            self.put(self._draw(["", "\n", "# a = 1\n", "  "]))
            self.note((*path, key))
            self.put(json.dumps(key, ensure_ascii=False) + self._draw(["=", " = "]))
            self.value(value, (*path, key))
            self.put(self._draw(["\n", " # b = [\n"]))


@given(tables=st.lists(_TABLES, max_size=3), data=st.data())
def test_lines_are_those_on_which_the_keys_were_written(tables: list[dict[str, Any]], data: st.DataObject) -> None:
    """Whatever the style, every key and list item is found, on its line, and nothing else is."""
    writer = _Writer(data)
    for index, table in enumerate(tables):
        writer.note(("list",))
        writer.note(("list", index))
        writer.put("[[ list ]]\n")
        writer.table(table, ("list", index))
    crlf = data.draw(st.booleans())
    text = writer.text.replace("\n", "\r\n") if crlf else writer.text
    read = tomllib.loads(text)
    assert set(_paths(read)) == set(writer.lines)
    assert key_lines(text) == writer.lines
