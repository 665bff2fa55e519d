"""A take's folder is new, safely named, and on a disk that has room; its files are whole or as before."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import TakeError
from bridge.journal import take
from bridge.journal.take import check_space, new_take_folder, write_whole

WALL = 1795633392.9
"""2026-11-25 19:03:12.9 UTC. Source: GNU date, `date -u -d @1795633392`."""


def test_a_folder_is_called_by_utc_time_and_name(tmp_path: Path) -> None:
    folder = new_take_folder(tmp_path / "recordings", "Ferry night!", WALL)
    assert folder == tmp_path / "recordings" / "20261125T190312Z-ferry-night"
    assert list(folder.iterdir()) == []


def test_a_second_take_of_the_same_second_gets_a_number(tmp_path: Path) -> None:
    names = [new_take_folder(tmp_path, "ferry night", WALL).name for _ in range(3)]
    assert [name[16:] for name in names] == ["-ferry-night", "-ferry-night-2", "-ferry-night-3"]


@pytest.mark.parametrize(
    ("name", "slug"),
    [("Fähre / Nacht", "fahre-nacht"), ("../../etc", "etc"), ("灯台", "set"), ("", "set"), ("a\0b\nc", "a-b-c")],
)
def test_any_name_makes_a_safe_folder(tmp_path: Path, name: str, slug: str) -> None:
    assert new_take_folder(tmp_path, name, WALL).name == f"20261125T190312Z-{slug}"


@given(st.text())
def test_no_name_leaves_the_letters_that_every_file_system_takes(name: str) -> None:
    slug = take._slug(name)
    assert 1 <= len(slug) <= 60
    assert set(slug) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert slug.strip("-") == slug


def test_a_file_in_place_of_the_parent_is_told(tmp_path: Path) -> None:
    (tmp_path / "recordings").write_text("kettle")
    with pytest.raises(TakeError, match=r"recordings: .*take\.folder"):
        check_space(tmp_path / "recordings")
    with pytest.raises(TakeError, match=r"recordings/2026.*: .*take\.folder"):
        new_take_folder(tmp_path / "recordings", "set", WALL)
    with pytest.raises(TakeError, match=r"recordings/night.*: .*take\.folder"):
        new_take_folder(tmp_path / "recordings" / "night", "set", WALL)


def test_room_is_looked_for_without_making_anything(tmp_path: Path) -> None:
    check_space(tmp_path / "recordings" / "deeper")
    assert list(tmp_path.iterdir()) == []


def test_a_nearly_full_disk_is_told_before_the_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = take.shutil.disk_usage(tmp_path)._replace(free=12_000_000)
    monkeypatch.setattr(take.shutil, "disk_usage", lambda place: usage)
    with pytest.raises(TakeError, match=r"nearly full: 12 MB are free, a set wants 200 MB or more\. Make room"):
        check_space(tmp_path)


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a folder that nobody may write to (Linux: /proc)")
def test_an_unwritable_folder_is_told_before_the_set() -> None:
    """/proc takes no files, not even from root."""
    with pytest.raises(TakeError, match=r"/proc/night: takes cannot be written there: /proc: .*take\.folder"):
        check_space(Path("/proc/night"))
    with pytest.raises(TakeError, match=r"/proc/night/.*cannot be made: .*take\.folder"):
        new_take_folder(Path("/proc/night"), "set", WALL)


def test_a_file_is_replaced_as_a_whole(tmp_path: Path) -> None:
    path = tmp_path / "review.html"
    write_whole(path, b"old")
    write_whole(path, b"new")
    assert path.read_bytes() == b"new"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_cannot_be_written_stays_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "review.html"
    write_whole(path, b"old")

    def refuse(*_: object) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(TakeError, match=r"review\.html: cannot be written: No space left on device"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_in_a_folder_that_is_not_there_is_refused_with_that_word(tmp_path):
    with pytest.raises(TakeError, match=r"There is no such folder. Name one that is there, or make it"):
        write_whole(tmp_path / "absent" / "beats.tsv", b"")
