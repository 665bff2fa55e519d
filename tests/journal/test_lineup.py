"""A line-up is kept, and goes along with the take that follows it on the same night."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bridge.errors import TakeError
from bridge.journal.lineup import FRESH_S, keep_lineup, take_lineup_along
from bridge.journal.take import new_take_folder

WALL = 1_795_629_792.0


def kept(parent: Path, name: str, wall: float, page: str) -> Path:
    path = keep_lineup(parent, name, wall, page, "{}")
    os.utime(path, (wall, wall))
    return path


def test_a_line_up_has_a_folder_of_its_own_among_the_takes(tmp_path: Path) -> None:
    page = keep_lineup(tmp_path, "Ferry night", WALL, "page", '{"findings": []}')
    assert page.relative_to(tmp_path).as_posix() == "lineups/20261125T180312Z-ferry-night/lineup.html"
    assert page.read_text() == "page"
    assert page.with_name("lineup.json").read_text() == '{"findings": []}'


def test_the_newest_of_the_same_name_goes_along(tmp_path: Path) -> None:
    kept(tmp_path, "ferry night", WALL - 3600, "older")
    kept(tmp_path, "ferry night", WALL - 600, "newer")
    kept(tmp_path, "winch room", WALL - 60, "another rig's")
    take = new_take_folder(tmp_path, "ferry night", WALL)
    page = take_lineup_along(tmp_path, take, WALL)
    assert page == take / "lineup.html"
    assert page.read_text() == "newer"


@pytest.mark.parametrize(("age_s", "goes"), [(0, True), (FRESH_S - 1, True), (FRESH_S + 1, False), (-3600, False)])
def test_only_one_of_the_same_night_goes_along(tmp_path: Path, age_s: float, goes: bool) -> None:
    kept(tmp_path, "ferry night", WALL - age_s, "page")
    take = new_take_folder(tmp_path, "ferry night", WALL)
    assert (take_lineup_along(tmp_path, take, WALL) is not None) is goes
    assert (take / "lineup.html").exists() is goes


def test_a_take_that_had_to_be_numbered_has_it_too(tmp_path: Path) -> None:
    kept(tmp_path, "ferry night", WALL - 60, "page")
    new_take_folder(tmp_path, "ferry night", WALL)
    take = new_take_folder(tmp_path, "ferry night", WALL)
    assert take.name.endswith("-2")
    assert take_lineup_along(tmp_path, take, WALL) is not None


def test_nothing_to_take_along_is_no_fault(tmp_path: Path) -> None:
    take = new_take_folder(tmp_path, "ferry night", WALL)
    assert take_lineup_along(tmp_path, take, WALL) is None
    kept(tmp_path, "ferry night", WALL, "page")
    assert take_lineup_along(tmp_path, tmp_path / "gone" / "20261125T190312Z-ferry-night", WALL) is None


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "lineups").write_text("a file in its place")
    with pytest.raises(TakeError, match="cannot be made"):
        keep_lineup(tmp_path, "ferry night", WALL, "page", "{}")
