"""Kept sound lies where the host clock says, and is read as far as it goes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from bridge.events import LevelHeard, ListenerStarted, SoundKept
from bridge.review.kept import TORN_BLOCK_S, blocks, kept_sound, last_of, sound_between
from bridge.review.read import read_take
from tests.review.sample import BEGAN, ferry_night, write_take
from tests.review.sound import AGAIN_S, BEGIN_S, RATE, ferry_night_with_sound, placed, tones, write_segments


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return ferry_night_with_sound(tmp_path / "night")


def tear(path: Path, share: float = 0.5) -> None:
    """Leave a file as a killed listener does: no length in its head, and cut."""
    data = bytearray(path.read_bytes())
    data[21] &= 0xF0  # STREAMINFO: the number of samples is 36 bits from here on. Source: RFC 9639 section 8.2
    data[22:26] = bytes(4)
    path.write_bytes(data[: round(share * len(data))])


def test_segments_lie_where_the_journal_places_them(folder: Path):
    kept = kept_sound(read_take(folder))
    assert kept.decks == ("north", "south")
    assert [(segment.start, segment.begin_s, segment.length_s) for segment in kept.segments] == [
        (1, pytest.approx(BEGIN_S), 30.0),
        (1, pytest.approx(BEGIN_S + 30), 30.0),
        (1, pytest.approx(BEGIN_S + 60), 30.0),
        (1, pytest.approx(BEGIN_S + 90), 1.0),
        (2, pytest.approx(AGAIN_S), 26.0),
    ]
    assert kept.length_s == 117.0


def test_a_sound_device_that_runs_fast_is_followed(tmp_path: Path):
    """200 ppm over ten minutes are 0.12 s: the segment at frame 300 s lies half-way between two facts."""
    fast = 1 + 200e-6
    write_take(tmp_path, [ListenerStarted(at=BEGAN, pid=1, start=1, rate=RATE, source=""), *(
        replace(placed(at, 0), frame=round(at * RATE * fast)) for at in (0.0, 600.0)
    )])  # fmt: skip
    write_segments(tmp_path, 1, tones(1.0), first=300 * RATE)
    (segment,) = kept_sound(read_take(tmp_path)).segments
    assert segment.begin_s == pytest.approx(300 / fast, abs=1e-3)


def test_a_journal_without_places_is_placed_by_its_first_level(tmp_path: Path):
    facts = [fact for fact in ferry_night() if not isinstance(fact, LevelHeard)]
    facts.append(LevelHeard(at=BEGAN + 3.01, deck="north", level_db=-20))
    write_take(tmp_path, sorted(facts, key=lambda fact: fact.at))
    write_segments(tmp_path, 1, tones(2.0))
    (segment,) = kept_sound(read_take(tmp_path)).segments
    assert segment.begin_s == pytest.approx(3.0, abs=0.02)


def test_sound_that_came_in_before_its_listener_said_so_lies_where_it_came_in(tmp_path: Path):
    """A device is open a moment before the journal says so; the journal's own order tells whose sound it is."""
    started = [ListenerStarted(at=BEGAN + at, pid=1, start=n, rate=RATE, source="") for n, at in ((1, 1.0), (2, 50.0))]
    write_take(tmp_path, [started[0], placed(0.9, 0), started[1], placed(49.9, 0)])
    for start in (1, 2):
        write_segments(tmp_path, start, tones(1.0))
    found = kept_sound(read_take(tmp_path)).segments
    began = read_take(tmp_path).began
    assert [segment.begin_s + began - BEGAN for segment in found] == [pytest.approx(0.9), pytest.approx(49.9)]


def test_a_torn_segment_is_read_as_far_as_it_goes(folder: Path):
    path = folder / f"sound-001-{30 * RATE:012}.flac"
    whole, _ = soundfile.read(path, dtype="float32")
    tear(path)
    torn = kept_sound(read_take(folder)).segments[1]
    read = np.concatenate(list(blocks(torn)))
    assert torn.torn
    assert 10 < torn.length_s < 20
    assert len(read) == pytest.approx(torn.length_s * RATE, abs=1)
    assert (read == whole[: len(read)]).all()
    assert len(last_of(torn, 0.5)) == pytest.approx(0.5 * RATE, abs=TORN_BLOCK_S * RATE)


def test_files_that_are_no_sound_are_named(folder: Path):
    (folder / "sound-001-000000240000.flac").write_bytes(b"no sound at all")
    (folder / "sound-002-000000000000.flac").write_bytes(b"")
    kept = kept_sound(read_take(folder))
    assert [name for name, _ in kept.unreadable] == ["sound-001-000000240000.flac", "sound-002-000000000000.flac"]
    assert len(kept.segments) == 3


def test_sound_at_another_rate_counts_by_its_own(folder: Path):
    path = folder / "sound-002-000000000000.flac"
    soundfile.write(path, tones(13.0, rate=16_000), 16_000, subtype="PCM_24")
    segment = kept_sound(read_take(folder)).segments[-1]
    assert (segment.begin_s, segment.length_s) == (pytest.approx(AGAIN_S), 13.0)


def test_any_part_can_be_read_and_gaps_are_silence(folder: Path):
    kept = kept_sound(read_take(folder))
    sound, rate = sound_between(kept, 89.0, 96.0)
    wanted = np.zeros((7 * RATE, 2), np.float32)
    whole = tones(91.0, first_s=BEGIN_S)
    wanted[: round(2.5 * RATE)] = whole[round(88.5 * RATE) :]
    wanted[round(5.0 * RATE) :] = tones(26.0, first_s=AGAIN_S)[: 2 * RATE]
    assert rate == RATE
    assert sound == pytest.approx(wanted, abs=1e-6)


def test_a_part_without_end_or_sound_is_refused(folder: Path, tmp_path: Path):
    kept = kept_sound(read_take(folder))
    with pytest.raises(ValueError, match="end after the begin"):
        sound_between(kept, 3.0, float("nan"))
    with pytest.raises(ValueError, match="needs kept sound"):
        sound_between(kept_sound(read_take(write_take(tmp_path / "bare", ferry_night()))), 0.0, 1.0)


def test_other_files_are_passed_over(folder: Path):
    (folder / "sound-take.flac").write_bytes(b"")
    assert kept_sound(read_take(folder)).unreadable == ()
    assert isinstance(placed(0.0, 0), SoundKept)
