"""A take is read however it ended; what is no take is told with what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import TakeError
from bridge.events import TakeEnded
from bridge.journal.codec import schema_line
from bridge.review.read import read_take
from tests.review.sample import BEGAN, ferry_night, journal_bytes, write_take


def test_a_take_is_read_with_its_facts_sound_and_begin(tmp_path: Path) -> None:
    folder = write_take(tmp_path / "night", ferry_night())
    for name in ("sound-002-000000000000.flac", "sound-001-000000000000.flac", "sound-001-000005760000.flac"):
        (folder / name).touch()
    take = read_take(folder)
    assert list(take.facts) == ferry_night()
    assert (take.schema, take.faults, take.ended) == (1, (), True)
    assert [path.name[6:9] for path in take.sound] == ["001", "001", "002"]
    assert take.seconds(BEGAN + 31.4) == pytest.approx(31.4)


def test_a_take_still_running_is_read_and_known_as_such(tmp_path: Path) -> None:
    running = [fact for fact in ferry_night() if not isinstance(fact, TakeEnded)]
    take = read_take(write_take(tmp_path / "night", running))
    assert not take.ended
    assert take.faults == ()


def test_a_cut_take_is_read_to_its_last_whole_line_and_left_as_it_is(tmp_path: Path) -> None:
    folder = write_take(tmp_path / "night", [])
    cut = journal_bytes(ferry_night())[:20_000]
    (folder / "journal.jsonl").write_bytes(cut)
    take = read_take(folder)
    assert 50 < len(take.facts) < len(ferry_night())
    assert [fault.line for fault in take.faults] == [cut.count(b"\n") + 1]
    assert (folder / "journal.jsonl").read_bytes() == cut


@pytest.mark.parametrize("data", [b"", schema_line(), schema_line()[:5], b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9])
def test_an_empty_or_senseless_journal_is_a_take_without_facts(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "journal.jsonl").write_bytes(data)
    take = read_take(tmp_path)
    assert take.facts == ()
    assert bool(take.faults) == (data != schema_line())


def test_no_folder_no_take_and_a_file_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(TakeError, match=r"night: there is no such folder\. Name"):
        read_take(tmp_path / "night")
    with pytest.raises(TakeError, match=r"is no take: it has no journal\.jsonl\. Name"):
        read_take(tmp_path)
    (tmp_path / "file").touch()
    with pytest.raises(TakeError, match=r"file: is a file\. Name the folder"):
        read_take(tmp_path / "file")


def test_the_folder_of_all_takes_names_the_latest(tmp_path: Path) -> None:
    for name in ("20261124T200000Z-kettle", "20261125T190312Z-ferry-night"):
        write_take(tmp_path / name, [])
    with pytest.raises(TakeError, match=r"holds 2\. Name one of them.*20261125T190312Z-ferry-night$"):
        read_take(tmp_path)


def test_a_journal_of_a_newer_bridge_is_told(tmp_path: Path) -> None:
    (tmp_path / "journal.jsonl").write_bytes(b'{"journal":"tape-bridge","schema":99}\n')
    with pytest.raises(TakeError, match=r"journal\.jsonl line 1: schema 99 is newer .* install the newer"):
        read_take(tmp_path)


def test_an_unreadable_journal_is_told(tmp_path: Path) -> None:
    (tmp_path / "journal.jsonl").mkdir()
    with pytest.raises(TakeError, match=r"journal\.jsonl: cannot be read: .*directory.*Allow reading"):
        read_take(tmp_path)
