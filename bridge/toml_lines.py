"""Where each key of a TOML text stands: a scanner from key path to line number.

`tomllib` reads the values but forgets their lines; this walks the same text once more and keeps nothing else.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]
"""Keys and positions in lists, from the outermost in: ``("pedals", 0, "port")``."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_PATH_SPACE = re.compile(r"[ \t]*")
_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SCALAR = re.compile(r"[^,\]}#\n]*")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}(?!")'  # up to two quotes may stand directly before the closing three
    r"|'''.*?'{3,5}(?!')"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, counted from 1, of every key, table and list item of a TOML text.

    A table stands where its header stands, or else the first key that implies it; a list of tables stands where its
    first header does, and each of its items has a path of its own.

    Args:
        text: TOML that `tomllib.loads` accepts, with any line ends, with or without a byte order mark.

    Raises:
        ValueError: The text is no TOML.

    Source: TOML 1.0.0.
    """
    return _Scanner(text.removeprefix("\ufeff")).lines()


def line_of(lines: Mapping[KeyPath, int], key: KeyPath) -> int | None:
    """Return the line of a key; of an absent one, that of the innermost table that would hold it; else None."""
    while key and key not in lines:
        key = key[:-1]
    return lines.get(key)


def key_text(key: KeyPath) -> str:
    """Return a key path as people write it: ``pedals[0].port``."""
    text = ""
    for part in key:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += ("." if text else "") + (part if _BARE_KEY.fullmatch(part) else f'"{part}"')
    return text


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line = 1
        self._lines: dict[KeyPath, int] = {}
        self._counts: dict[KeyPath, int] = {}

    def lines(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self._take(_SPACE)
        while self._at < len(self._text):
            before = self._at
            if self._text.startswith("[", self._at):
                table = self._header()
            else:
                self._assignment(table)
            self._go_on(before)
        return self._lines

    def _go_on(self, before: int, separator: str = "") -> None:
        self._take(_SPACE)
        self._skip(separator)
        self._take(_SPACE)
        if self._at == before:
            raise ValueError(f"line {self._line} is no TOML")

    def _take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self._text, self._at)
        taken = found.group() if found else ""
        self._at += len(taken)
        self._line += taken.count("\n")
        return taken

    def _skip(self, sign: str) -> bool:
        if found := self._text.startswith(sign, self._at):
            self._at += len(sign)
        return found

    def _header(self) -> KeyPath:
        is_list = self._skip("[[")
        if not is_list:
            self._skip("[")
        *outer, name = self._dotted_key()
        table = (*self._inside((), outer), name)
        if not is_list:
            self._lines[table] = self._line
        else:
            self._lines.setdefault(table, self._line)
            self._counts[table] = self._counts.get(table, 0) + 1
            table = (*table, self._counts[table] - 1)
            self._lines[table] = self._line
        self._skip("]]" if is_list else "]")
        return table

    def _inside(self, table: KeyPath, keys: list[str]) -> KeyPath:
        """Return where dotted keys lead: into the newest item of each list of tables on the way."""
        for key in keys:
            table = (*table, key)
            self._lines.setdefault(table, self._line)
            if table in self._counts:
                table = (*table, self._counts[table] - 1)
        return table

    def _assignment(self, table: KeyPath) -> None:
        *outer, name = self._dotted_key()
        key = (*self._inside(table, outer), name)
        self._lines.setdefault(key, self._line)
        self._take(_SPACE)
        self._skip("=")
        self._take(_SPACE)
        self._value(key)

    def _dotted_key(self) -> list[str]:
        keys = []
        while True:
            self._take(_PATH_SPACE)
            if self._text.startswith(("'", '"'), self._at):
                keys.append(str(tomllib.loads(f"key = {self._take(_STRING)}")["key"]))
            else:
                keys.append(self._take(_BARE_KEY))
            self._take(_PATH_SPACE)
            if not self._skip("."):
                return keys

    def _value(self, key: KeyPath) -> None:
        if self._skip("["):
            self._list(key)
        elif self._skip("{"):
            self._inline_table(key)
        elif not self._take(_STRING):
            self._take(_SCALAR)

    def _list(self, key: KeyPath) -> None:
        self._take(_SPACE)
        count = 0
        while self._at < len(self._text) and not self._skip("]"):
            before, item = self._at, (*key, count)
            self._lines[item] = self._line
            self._value(item)
            self._go_on(before, ",")
            count += 1

    def _inline_table(self, key: KeyPath) -> None:
        self._take(_SPACE)
        while self._at < len(self._text) and not self._skip("}"):
            before = self._at
            self._assignment(key)
            self._go_on(before, ",")
