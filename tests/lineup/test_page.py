"""The page of a line-up: what is to be looked at comes first, it opens offline, and text stays text."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from bridge.lineup.findings import Finding, summary
from bridge.lineup.page import lineup_json, lineup_page
from bridge.rig import Deck, Rig, SoundInput, TakePlan

RIG = Rig(
    path="my rig.toml",
    sound=SoundInput(),
    decks=(Deck(name="north", channels=(1,)),),
    take=TakePlan(name="ferry night"),
)
WALL = 1_795_629_792.0
WELL = Finding(where="north", what="level", well="well", said="-18 dB, peaks at -7 dB")
LOOK = Finding(where="north", what="hum", well="look", said="50 Hz at -48 dB on input 1", todo="Use an isolating box")
OPEN = Finding(where="<b>south</b>", what="echo", well="open", said="not checked: left out")


def test_what_is_to_be_looked_at_comes_first_and_says_what_to_do() -> None:
    page = lineup_page(RIG, [WELL, OPEN, LOOK], WALL)
    order = [
        page.index(text) for text in (">To look at<", "Use an isolating box", ">Not checked<", "left out", "peaks at")
    ]
    assert order == sorted(order)
    assert "<h1><bdi>ferry night</bdi></h1>" in page
    assert "Wednesday 25 November 2026" in page
    assert "tapebridge lineup <bdi>&#39;my rig.toml&#39;</bdi>" in page


def test_the_page_holds_no_script_and_asks_for_nothing() -> None:
    page = lineup_page(RIG, [WELL, LOOK, OPEN], WALL)
    assert "<script" not in page
    assert "src=" not in page
    assert "http://" not in page
    assert "https://" not in page


def test_names_stay_text() -> None:
    page = lineup_page(RIG, [OPEN], WALL)
    assert "<b>south</b>" not in page
    assert "&lt;b&gt;south&lt;/b&gt;" in page


def test_the_cautions_are_always_there() -> None:
    for findings in ([], [WELL], [LOOK]):
        page = lineup_page(RIG, findings, WALL)
        for word in ("Never lift the protective earth", "qualified service", "Turn monitors and headphones down"):
            assert word in page


@pytest.mark.parametrize(
    ("findings", "said"),
    [
        ([], "Nothing was looked at."),
        ([WELL, WELL], "All is well."),
        ([WELL, OPEN], "Nothing is amiss. Not checked: 1 thing."),
        ([WELL, LOOK, LOOK], "To look at: 2 things."),
        ([LOOK, OPEN, OPEN], "To look at: 1 thing. Not checked: 2 things."),
    ],
)
def test_it_is_summed_up_in_one_sentence(findings: list[Finding], said: str) -> None:
    assert summary(findings) == said
    assert said in lineup_page(RIG, findings, WALL)


def test_the_same_as_plain_values() -> None:
    told = json.loads(lineup_json(RIG, [WELL, LOOK], WALL))
    assert told["summary"] == "To look at: 1 thing."
    assert [one["well"] for one in told["findings"]] == ["well", "look"]


@pytest.mark.browser
def test_the_page_opens_in_a_browser_without_a_word_of_complaint(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "lineup.html"
    path.write_text(lineup_page(RIG, [WELL, LOOK, OPEN], WALL))
    complaints: list[str] = []
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.on("console", lambda message: complaints.append(message.text))
    page.on("request", lambda request: complaints.append(request.url) if request.url != path.as_uri() else None)
    page.goto(path.as_uri())
    width = page.evaluate("document.documentElement.scrollWidth")
    background = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    page.close()
    assert [text for text in complaints if not text.startswith("data:")] == []
    assert width <= 390  # a phone shows it whole
    assert background != "rgba(0, 0, 0, 0)"  # the style was let in by its hash
