"""Files of a review are made again at will, and what a hand has changed is never lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import TakeError
from bridge.review.files import RECORD, write_files


def test_files_are_written_and_made_again(tmp_path: Path):
    assert write_files(tmp_path, {"chapters.txt": b"one"}) == {"chapters.txt": tmp_path / "chapters.txt"}
    write_files(tmp_path, {"chapters.txt": b"two"})
    assert (tmp_path / "chapters.txt").read_bytes() == b"two"
    assert sorted(path.name for path in tmp_path.iterdir()) == [RECORD, "chapters.txt"]


def test_a_file_changed_by_hand_is_left_alone_and_the_new_one_goes_beside_it(tmp_path: Path):
    write_files(tmp_path, {"chapters.txt": b"one"})
    (tmp_path / "chapters.txt").write_bytes(b"mine")
    for content in (b"two", b"three"):
        assert write_files(tmp_path, {"chapters.txt": content})["chapters.txt"].name == "chapters.new.txt"
        assert (tmp_path / "chapters.txt").read_bytes() == b"mine"
        assert (tmp_path / "chapters.new.txt").read_bytes() == content


def test_a_foreign_file_or_folder_of_that_name_is_left_alone(tmp_path: Path):
    (tmp_path / "tempo.mid").write_bytes(b"a song")
    (tmp_path / "chapters.txt").mkdir()
    landed = write_files(tmp_path, {"tempo.mid": b"beats", "chapters.txt": b"0:00"})
    assert sorted(path.name for path in landed.values()) == ["chapters.new.txt", "tempo.new.mid"]
    assert (tmp_path / "tempo.mid").read_bytes() == b"a song"


def test_the_page_of_an_older_bridge_is_replaced(tmp_path: Path):
    """It wrote no record, and only these two files."""
    (tmp_path / "review.html").write_bytes(b"old")
    assert write_files(tmp_path, {"review.html": b"new"})["review.html"].name == "review.html"


@pytest.mark.parametrize("record", [b"", b"{", b"[1]", b"\xff\xfe", b'{"chapters.txt": 3}'])
def test_a_spoiled_record_loses_nothing(tmp_path: Path, record: bytes):
    (tmp_path / "chapters.txt").write_bytes(b"mine")
    (tmp_path / RECORD).write_bytes(record)
    assert write_files(tmp_path, {"chapters.txt": b"new"})["chapters.txt"].name == "chapters.new.txt"
    assert (tmp_path / "chapters.txt").read_bytes() == b"mine"


def test_a_file_that_is_gone_is_written_again(tmp_path: Path):
    write_files(tmp_path, {"chapters.txt": b"one"})
    (tmp_path / "chapters.txt").unlink()
    assert write_files(tmp_path, {"chapters.txt": b"one"})["chapters.txt"].name == "chapters.txt"


def test_a_folder_that_takes_no_file_is_told(tmp_path: Path):
    with pytest.raises(TakeError, match="cannot be written"):
        write_files(tmp_path / "absent", {"chapters.txt": b""})
