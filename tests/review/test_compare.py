"""One deck over several nights: a belt that tires shows, other tapes do not disturb, and the page is whole."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from playwright.sync_api import Browser

from bridge.cli import main
from bridge.errors import TakeError
from bridge.events import BeatPlaced, Fact, FollowerChanged, TakeEnded, TakeStarted
from bridge.review.compare import Night, _nights, trend, write_compare
from tests.review.sample import BEGAN, WALL, write_take


def night(folder: Path, day: int, drift: float, wobble: float, tempo: float = 84.0) -> Path:
    """A take of ten minutes: a slow swing of ``drift`` cents up and down, and wow of ``wobble`` cents."""
    cents: Callable[[float], float] = lambda s: drift * np.sin(s / 90.0) + wobble * np.sin(2 * np.pi * 0.35 * s)  # noqa: E731
    facts: list[Fact] = [
        TakeStarted(at=BEGAN, wall=WALL + 86400 * day, name=folder.name, version="0.1.0", decks=("north",), pedals=()),
        FollowerChanged(at=BEGAN, deck="north", was="idle", now="following"),
    ]
    at, index = 1.0, 0
    while at < 600.0:
        now = tempo * 2 ** (cents(at) / 1200)
        facts.append(BeatPlaced(at=BEGAN + at, deck="north", index=index, tempo=now, confidence=0.9, known=BEGAN + at))
        at, index = at + 60.0 / now, index + 1
    return write_take(folder, [*facts, TakeEnded(at=BEGAN + 600, why="tapebridge end")])


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Six nights, named in no order; from the fourth on drift and wobble grow."""
    home = tmp_path_factory.mktemp("nights")
    sizes = [(4.0, 2.0), (4.2, 2.1), (3.9, 2.0), (8.0, 4.0), (14.0, 7.0), (20.0, 9.0)]
    return [night(home / f"{'fbdace'[n]}-night", n, *size) for n, size in enumerate(sizes)]


def test_drift_and_wobble_of_each_night_are_measured_in_order_of_time(nights: list[Path]) -> None:
    found, without = _nights(sorted(nights), "north", None)
    assert without == []
    assert [one.name[:10] for one in found] == [
        f"2026-{d}" for d in ("11-25", "11-26", "11-27", "11-28", "11-29", "11-30")
    ]
    for one, drift, wobble in zip(found, (4.0, 4.2, 3.9, 8.0, 14.0, 20.0), (2.0, 2.1, 2.0, 4.0, 7.0, 9.0), strict=True):
        assert one.drift_range == pytest.approx(2 * drift, rel=0.1)
        assert one.wobble == pytest.approx(wobble / np.sqrt(2), rel=0.25)  # single beats blunt it


def test_a_tired_belt_is_said_and_a_steady_deck_is_not_accused(nights: list[Path]) -> None:
    found, _ = _nights(nights, "north", None)
    assert "Both grew by half or more" in trend(found)
    assert "Both grew" not in trend(found[:3])
    assert "name more takes" in trend(found[:1])


def test_a_tape_is_compared_with_itself_by_its_tempo(nights: list[Path], tmp_path: Path) -> None:
    other = night(tmp_path / "winch", 9, 50.0, 5.0, tempo=118.0)
    found, without = _nights([*nights, other], "north", 84.0)
    assert len(found) == 6
    assert without == ["winch"]
    assert isinstance(_nights([other], "north", None)[0][0], Night)


def test_the_command_writes_page_and_table_beside_the_takes(nights: list[Path]) -> None:
    done = CliRunner().invoke(main, ["review", *map(str, nights), "--compare", "north"])
    assert done.exit_code == 0, done.output
    page = Path(done.output.strip())
    assert page == nights[0].parent / "compare-north.html"
    rows = list(csv.DictReader((page.parent / "compare-north.csv").open()))
    assert len({row["night"] for row in rows}) == 6
    drift = [float(row["slow_drift_cents"]) for row in rows]
    assert max(drift) - min(drift) == pytest.approx(40, rel=0.2)


def test_no_deck_of_that_name_is_refused_with_the_names(nights: list[Path]) -> None:
    said = r"and 5 more takes: no deck is called 'south'\. Decks there: north\. Name one of them after --compare\."
    with pytest.raises(TakeError, match=said):
        write_compare(nights, "south")


def test_a_deck_without_a_beat_for_a_minute_is_refused_as_that(nights: list[Path]) -> None:
    said = "the deck 'north' never kept a beat near 50 bpm for a minute. Name .* another tempo after --near"
    with pytest.raises(TakeError, match=said):
        write_compare(nights[:1], "north", 50.0)


@pytest.mark.browser
def test_the_page_opens_offline_on_a_telephone_without_an_error(nights: list[Path], browser: Browser) -> None:
    path = write_compare(nights, "north")
    page = browser.new_page(viewport={"width": 360, "height": 740})
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: said.append(request.url) if not request.url.startswith("file:") else None)
    page.goto(path.as_uri())
    assert page.locator("svg polyline").count() == 6
    assert page.locator("tbody tr").count() == 6
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert said == []
    page.close()
