"""A page holds everything that it needs, and nothing else can run in it."""

from __future__ import annotations

import hashlib
import json
import re
from html.parser import HTMLParser

import pytest
from jinja2 import UndefinedError

from bridge.review.facts import tell
from bridge.review.rows import tables
from bridge.review.table import LONG_TEXT
from bridge.web.shell import HERE, render

SAID = {
    "title": "ferry night",
    "when": "",
    "summary": (),
    "tables": tables(tell([]), []),
    "long_text": LONG_TEXT,
    "plotted": False,
    "troubled": False,
    "ending": "Ended: Ctrl-C.",
    "segments": ["sound-001-000000000000.flac"],
    "ears": "",
    "folder": "night",
}


class Elements(HTMLParser):
    """Collects a page's elements with their attributes, and the text of each script."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self._inside = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        self._inside = tag == "script"
        if self._inside:
            self.scripts.append("")

    def handle_endtag(self, tag: str) -> None:
        self._inside = False

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.scripts[-1] += data


def policy(page: str) -> str:
    """The page's content security policy."""
    found = [a for tag, a in Elements(page).found if a.get("http-equiv") == "Content-Security-Policy"]
    assert len(found) == 1
    return found[0]["content"] or ""


def test_nothing_in_the_page_names_another_place() -> None:
    for tag, attributes in Elements(render("review.html", {}, SAID)).found:
        assert "src" not in attributes, tag
        assert (attributes.get("href") or "#").startswith(("#", "data:", "sound-")), tag
        assert not [name for name in attributes if name.startswith("on")], tag


def test_the_policy_allows_only_the_pages_own_scripts_and_styles() -> None:
    said = policy(render("review.html", {}, SAID))
    assert said.startswith("default-src 'none'; ")
    assert "unsafe" not in said
    assert "http" not in said
    assert len(re.findall(r"'sha256-[A-Za-z0-9+/]{43}='", said)) == 6


def test_data_cannot_end_the_script_that_it_stands_in() -> None:
    evil = {"text": "</script><script>alert(1)</script><!-- ", "sign": "☂"}
    scripts = Elements(render("review.html", evil, SAID)).scripts
    assert json.loads(scripts[0]) == evil
    assert len(scripts) == 5


def test_text_that_looks_like_html_is_escaped() -> None:
    page = render("review.html", {}, SAID | {"title": "<img src=x onerror=alert(1)>", "summary": ("<b>",)})
    tags = [tag for tag, _ in Elements(page).found]
    assert "img" not in tags
    assert "b" not in tags


def test_a_forgotten_value_is_an_error_not_a_blank() -> None:
    with pytest.raises(UndefinedError, match="title"):
        render("review.html", {}, {key: value for key, value in SAID.items() if key != "title"})


def test_data_that_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        render("review.html", {"tempo": float("nan")}, SAID)


def test_vendored_files_are_those_that_the_register_names() -> None:
    """Source of the hashes: the files of npm package uplot 1.6.32, whose tarball npm checks against the registry."""
    register = (HERE / "vendor" / "VENDORED.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `([^`]+)` \| `[^`]+` \| `([0-9a-f]{64})` \|$", register, re.MULTILINE)
    assert {name for name, _ in rows} | {"VENDORED.md"} == {path.name for path in (HERE / "vendor").iterdir()}
    for name, digest in rows:
        assert hashlib.sha256((HERE / "vendor" / name).read_bytes()).hexdigest() == digest, name
