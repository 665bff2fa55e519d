"""What the journal's queue accepted is on disk: through kill -9, restarts and a full disk."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from io import FileIO
from itertools import pairwise
from pathlib import Path

import pytest

from bridge.errors import TakeError
from bridge.events import Fact, FactsLost, MarkPlaced
from bridge.journal import disk_file, writer
from bridge.journal.codec import fact_line, schema_line
from bridge.journal.recover import recover
from bridge.journal.writer import JournalWriter


def mark(number: int, text: str = "kettle") -> MarkPlaced:
    return MarkPlaced(at=float(number), wall=0.0, text=text)


def facts_in(path: Path) -> list[Fact]:
    found = recover(path.read_bytes())
    assert found.faults == ()
    return list(found.facts)


def wait_until(condition: object, limit_s: float = 5.0) -> None:
    assert callable(condition)
    give_up = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < give_up, "it did not happen in time"
        time.sleep(0.005)


class SmallDisk(FileIO):
    """A file on a disk that has room for so many bytes."""

    room = 10**9

    def write(self, data: bytes) -> int:  # type: ignore[override]
        if self.room <= 0:
            raise OSError(28, "No space left on device")
        part = data[: self.room]
        SmallDisk.room -= len(part)
        return super().write(part)


@pytest.fixture
def small_disk(monkeypatch: pytest.MonkeyPatch) -> Iterator[type[SmallDisk]]:
    """Journals opened now are on a disk whose ``room`` the test sets."""
    SmallDisk.room = 10**9
    monkeypatch.setattr(disk_file, "open_raw", lambda path: SmallDisk(path, "ab"))
    monkeypatch.setattr(writer, "RETRY_S", 0.005)
    yield SmallDisk
    SmallDisk.room = 10**9


def test_everything_that_was_accepted_is_written_in_order(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    with JournalWriter(path) as journal:
        for number in range(5000):
            journal.write(mark(number))
    assert facts_in(path) == [mark(number) for number in range(5000)]
    assert path.read_bytes().startswith(schema_line())


def test_a_line_reaches_the_system_within_milliseconds_not_at_the_end(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    with JournalWriter(path) as journal:
        journal.write(mark(1))
        wait_until(lambda: path.read_bytes() == schema_line() + fact_line(mark(1)), limit_s=1.0)


def test_a_restarted_listener_carries_on_and_ends_a_torn_line_first(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(schema_line() + fact_line(mark(1)) + fact_line(mark(2))[:-7])
    with JournalWriter(path) as journal:
        journal.write(mark(3))
    found = recover(path.read_bytes())
    assert found.facts == (mark(1), mark(3))
    assert [fault.line for fault in found.faults] == [3]
    assert path.read_bytes().count(schema_line()) == 1


def test_a_line_torn_at_its_newline_is_not_lost_by_the_restart(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(schema_line() + fact_line(mark(1))[:-1])
    with JournalWriter(path) as journal:
        journal.write(mark(2))
    assert facts_in(path) == [mark(1), mark(2)]


def test_kill_9_loses_no_line_accepted_a_moment_before(tmp_path: Path) -> None:
    """The child says when it handed a fact over; what is older than 100 ms at the kill is there, and reads back."""
    path = tmp_path / "journal.jsonl"
    program = (
        "import sys, time, pathlib\n"
        "from bridge.events import MarkPlaced\n"
        "from bridge.journal.writer import JournalWriter\n"
        "with JournalWriter(pathlib.Path(sys.argv[1])) as journal:\n"
        "    for number in range(10**9):\n"
        "        journal.write(MarkPlaced(at=float(number), wall=0.0, text='kettle'))\n"
        "        print(number, time.perf_counter(), flush=True)\n"
        "        time.sleep(0.0005)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        handed: list[float] = []
        for line in child.stdout:
            handed.append(float(line.split()[1]))
            if len(handed) == 300:
                killed = time.perf_counter()
                child.kill()
                break
        child.stdout.read()
    due = [mark(number) for number, at in enumerate(handed) if at < killed - 0.1]
    assert len(due) > 10
    assert list(recover(path.read_bytes()).facts)[: len(due)] == due
    with JournalWriter(path) as journal:
        journal.write(mark(-1))
    assert recover(path.read_bytes()).facts[-1] == mark(-1)
    assert len(recover(path.read_bytes()).faults) <= 1


def test_a_full_disk_takes_the_reserve_first(tmp_path: Path, small_disk: type[SmallDisk]) -> None:
    path = tmp_path / "journal.jsonl"
    reserve = tmp_path / "journal.reserve"
    with JournalWriter(path) as journal:
        journal.write(mark(1))
        wait_until(lambda: fact_line(mark(1)) in path.read_bytes())
        assert reserve.stat().st_size == disk_file.RESERVE_BYTES
        small_disk.room = 10
        journal.write(mark(2))
        wait_until(lambda: not reserve.exists())
        assert fact_line(mark(2))[:10] in path.read_bytes()
        small_disk.room = 10**9
    assert facts_in(path) == [mark(1), mark(2)]


def test_a_full_disk_never_raises_or_waits_and_what_was_lost_is_counted(
    tmp_path: Path, small_disk: type[SmallDisk], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "QUEUE_FACTS", 100)
    path = tmp_path / "journal.jsonl"
    with JournalWriter(path) as journal:
        small_disk.room = 0
        journal.write(mark(0))
        wait_until(lambda: journal._queue.empty())
        begun = time.perf_counter()
        for number in range(1, 1001):
            journal.write(mark(number))
        assert time.perf_counter() - begun < 0.5
        small_disk.room = 10**9
    facts = facts_in(path)
    assert [fact for fact in facts if isinstance(fact, MarkPlaced)] == [mark(number) for number in range(101)]
    assert [fact for fact in facts if isinstance(fact, FactsLost)] == [FactsLost(at=101.0, count=900)]


def test_a_fact_that_comes_while_the_journal_closes_is_counted_without_delay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(disk_file, "SYNC_EVERY_S", 0.0)
    path = tmp_path / "journal.jsonl"
    with JournalWriter(path) as journal:
        journal.write(mark(1))
        wait_until(lambda: fact_line(mark(1)) in path.read_bytes() and journal._file.seconds_to_sync() is None)
        journal._closed = True
        journal.write(mark(2))
        begun = time.monotonic()
    assert time.monotonic() - begun < 2.0
    assert facts_in(path) == [mark(1), FactsLost(at=2.0, count=1)]


def test_a_fact_after_the_end_is_lost_and_raises_nothing(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    with JournalWriter(path) as journal:
        journal.write(mark(1))
    journal.write(mark(2))
    assert facts_in(path) == [mark(1)]


def test_a_disk_that_stays_full_is_told_on_leaving(
    tmp_path: Path, small_disk: type[SmallDisk], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "GIVE_UP_S", 0.05)
    path = tmp_path / "journal.jsonl"
    with pytest.raises(TakeError, match=r"3 facts are missing at its end .*No space left.*Make room"):
        fill_up(path, small_disk)
    assert list(recover(path.read_bytes()).facts) == [mark(0)]


def fill_up(path: Path, disk: type[SmallDisk]) -> None:
    with JournalWriter(path) as journal:
        journal.write(mark(0))
        wait_until(lambda: fact_line(mark(0)) in path.read_bytes())
        disk.room = 0
        for number in range(1, 4):
            journal.write(mark(number))


def test_the_journals_failure_does_not_hide_the_error_that_ended_the_set(
    tmp_path: Path, small_disk: type[SmallDisk], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "GIVE_UP_S", 0.05)

    def play() -> None:
        with JournalWriter(tmp_path / "journal.jsonl") as journal:
            small_disk.room = 0
            journal.write(mark(1))
            raise KeyError("the set")

    with pytest.raises(KeyError) as caught:
        play()
    assert "not all of the journal could be written" in caught.value.__notes__[0]


def test_a_disk_that_hangs_is_left_after_the_limit_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "LEAVE_S", 0.1)
    let_go = threading.Event()

    def play() -> None:
        with JournalWriter(tmp_path / "journal.jsonl") as journal:
            monkeypatch.setattr(disk_file.os, "fsync", lambda descriptor: let_go.wait(10))
            journal.write(mark(1))

    try:
        with pytest.raises(TakeError, match=r"did not answer within 0\.1 s"):
            play()
    finally:
        let_go.set()


def test_a_disk_is_synced_at_most_once_a_second_and_at_the_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(disk_file, "SYNC_EVERY_S", 0.1)
    synced: list[float] = []
    monkeypatch.setattr(disk_file.os, "fsync", lambda descriptor: synced.append(time.monotonic()))
    with JournalWriter(tmp_path / "journal.jsonl") as journal:
        synced.clear()
        for number in range(60):
            journal.write(mark(number))
            time.sleep(0.005)
        in_time = list(synced)
        journal.write(mark(60))  # so that there is something left for the end
    assert 2 <= len(in_time) <= 6
    assert len(synced) > len(in_time)
    assert all(later - earlier >= 0.09 for earlier, later in pairwise(in_time))


def test_a_power_cut_at_any_instant_costs_at_most_the_last_second(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The cut is simulated: of the file, only what was there when the last sync before the cut began is left.

    What this machine itself stood still, and what its disk took for a sync beyond half a second, comes on top.
    """
    path = tmp_path / "journal.jsonl"
    synced: list[tuple[float, int]] = []  # when a sync was done, and how much it brought to the disk
    took: list[float] = []
    real = disk_file.os.fsync

    def sync(descriptor: int) -> None:
        size, began = path.stat().st_size, time.monotonic()
        real(descriptor)
        synced.append((time.monotonic(), size))
        took.append(synced[-1][0] - began)

    monkeypatch.setattr(disk_file.os, "fsync", sync)
    handed: list[float] = []
    with JournalWriter(path) as journal:
        for number in range(400):
            handed.append(time.monotonic())
            journal.write(mark(number))
            time.sleep(0.0075)
        whole = path.read_bytes()
    assert handed[-1] - handed[0] > 2.5
    stood_still = max(b - a for a, b in pairwise(handed)) - 0.0075
    most_s = 1.0 + stood_still + max(0.0, max(took) - 0.5)
    for cut in (handed[0] + 0.1 * n for n in range(int(10 * (handed[-1] - handed[0])))):
        size = max((size for done, size in synced if done <= cut), default=0)
        left = [fact for fact in recover(whole[:size]).facts if isinstance(fact, MarkPlaced)]
        due = sum(at <= cut - most_s for at in handed)
        assert left[:due] == [mark(number) for number in range(due)], f"cut {cut - handed[0]:.1f} s after the begin"


def test_a_fact_that_cannot_be_written_is_told_at_the_end_and_costs_no_other(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    impossible = MarkPlaced(at=2.0, wall=float("nan"), text="")

    def play() -> None:
        with JournalWriter(path) as journal:
            for fact in (mark(1), impossible, mark(3)):
                journal.write(fact)

    with pytest.raises(TakeError, match="MarkPlaced: Out of range float"):
        play()
    assert facts_in(path) == [mark(1), mark(3)]


def test_no_reserve_stays_behind_after_a_clean_end(tmp_path: Path) -> None:
    with JournalWriter(tmp_path / "journal.jsonl"):
        pass
    assert [file.name for file in tmp_path.iterdir()] == ["journal.jsonl"]


def test_a_journal_that_cannot_be_opened_is_a_take_error_with_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(TakeError, match=r"absent/journal\.jsonl: the journal cannot be opened: .* take\.folder"):
        JournalWriter(tmp_path / "absent" / "journal.jsonl").__enter__()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device /dev/full (Linux)")
def test_a_really_full_device_is_survived(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The system's own always-full device, not a fake: the same refusal from the same call."""
    monkeypatch.setattr(writer, "GIVE_UP_S", 0.1)
    path = tmp_path / "journal.jsonl"
    path.symlink_to("/dev/full")
    with pytest.raises(TakeError, match="No space left on device"), JournalWriter(path) as journal:
        journal.write(mark(1))
