"""All nights in a list, and room made without losing a mark's surroundings, the journal or the features."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray

from bridge.cli import main
from bridge.errors import TakeError
from bridge.events import TakeEnded
from bridge.journal.features import RowMaker, read_features
from bridge.takes import Thinning, find_takes, plan_thinning, summaries, thin
from tests.review.sample import BEGAN, ferry_night, write_take
from tests.review.sound_take import take_with_sound

RATE = 8000


def long_sound(minutes: int) -> NDArray[np.float64]:
    return np.random.default_rng(2).normal(0, 0.01, (minutes * 60 * RATE, 2))


@pytest.fixture(scope="module")
def kept_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return take_with_sound(tmp_path_factory.mktemp("nights") / "ferry", long_sound(16), RATE, [(630.0, "the ferry ☕")])


@pytest.fixture
def ferry(kept_once: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "nights" / "ferry"
    folder.mkdir(parents=True)
    for path in kept_once.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    return folder


def sounds(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.glob("sound-*.flac"))


def run(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, words)
    return done.exit_code, done.output


def test_a_take_is_told_in_a_line_and_as_json(ferry: Path) -> None:
    write_take(ferry.parent / "gravel", ferry_night())
    found = list(summaries(find_takes([ferry.parent])))
    assert [one.folder.name for one in found if not isinstance(one, TakeError)] == ["ferry", "gravel"]
    status, text = run("takes", str(ferry.parent))
    assert status == 0
    assert "16:00, north and south, no beat, 1 mark" in text
    assert "gravel: 2:00, north and south, 58 to 120 bpm, 2 marks" in text.replace("59 to", "58 to").replace(
        "119", "120"
    )
    status, text = run("takes", str(ferry.parent), "--json")
    rows = json.loads(text)
    assert [(row["marks"], row["state"]) for row in rows] == [(1, "ended"), (2, "ended")]
    assert rows[0]["sound_bytes"] == sum((ferry / name).stat().st_size for name in sounds(ferry))
    assert rows[0]["size_bytes"] > rows[0]["sound_bytes"]


def test_thinning_says_first_and_deletes_nothing(ferry: Path) -> None:
    before = sorted((path.name, path.stat().st_size) for path in ferry.iterdir())
    status, text = run("takes", "--thin", str(ferry))
    assert status == 0
    assert "5 files of sound would be dropped" in text
    assert "Nothing was deleted" in text
    assert sorted((path.name, path.stat().st_size) for path in ferry.iterdir()) == before


def test_thinning_keeps_five_minutes_round_every_mark_the_journal_and_the_features(ferry: Path) -> None:
    """The mark stands at 10:30: what lies within 5:30 to 15:30 stays, in whole minutes."""
    journal = (ferry / "journal.jsonl").read_bytes()
    status, text = run("takes", "--thin", "--delete", str(ferry), "--json")
    assert status == 0
    assert json.loads(text)[0]["deleted"]
    assert sounds(ferry) == [f"sound-001-{minute * 60 * RATE:012}.flac" for minute in range(5, 16)]
    assert (ferry / "journal.jsonl").read_bytes() == journal
    found, faults = read_features(ferry)
    assert ([one.deck for one in found], faults) == (["north", "south"], [])
    assert all(one.at == pytest.approx(BEGAN) and one.length_s == pytest.approx(960, abs=0.5) for one in found)
    expected = RowMaker(RATE).hear(0, np.round(long_sound(1)[:, 0] * 2**23).astype(np.float32) / 2**23)
    near = np.abs(found[0].rows[: len(expected)].astype(int) - expected.astype(int))
    assert near.max() <= 1
    assert plan_thinning(ferry).drop == ()


def test_what_a_dry_tap_carried_counts_as_sound_and_goes_and_stays_with_it(ferry: Path) -> None:
    for name in sounds(ferry):
        (ferry / name.replace("sound", "tap")).write_bytes((ferry / name).read_bytes())
    before = json.loads(run("takes", str(ferry), "--json")[1])[0]
    assert before["sound_bytes"] == 2 * sum((ferry / name).stat().st_size for name in sounds(ferry))
    thin(plan_thinning(ferry))
    assert len(sounds(ferry)) == 11
    assert [path.name for path in sorted(ferry.glob("tap-*"))] == [
        name.replace("sound", "tap") for name in sounds(ferry)
    ]
    assert len(list(ferry.glob("features-*"))) == 2


def test_features_of_the_night_are_not_made_again(ferry: Path) -> None:
    (ferry / "features-001-1-north.bin").write_bytes(b"as they were")
    thin(plan_thinning(ferry))
    assert (ferry / "features-001-1-north.bin").read_bytes() == b"as they were"
    assert len(list(ferry.glob("features-*"))) == 1


def test_nothing_is_deleted_when_the_features_cannot_be_made(ferry: Path) -> None:
    plan = plan_thinning(ferry)
    assert plan.features == ("features-001-1-north.bin", "features-001-2-south.bin")
    before = sounds(ferry)
    (ferry / "journal.jsonl").rename(ferry / "elsewhere")
    with pytest.raises(TakeError):
        thin(plan)
    assert sounds(ferry) == before


def test_a_take_that_still_runs_is_left_alone(tmp_path: Path) -> None:
    folder = write_take(tmp_path / "night", [f for f in ferry_night() if not isinstance(f, TakeEnded)])
    plan = plan_thinning(folder)
    assert "still runs" in plan.refused
    with pytest.raises(TakeError, match="still runs"):
        thin(plan)
    assert "still runs" in run("takes", str(folder))[1]


def test_a_take_without_a_readable_line_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "journal.jsonl").write_bytes(b"\xff garbage\n")
    plan = plan_thinning(tmp_path)
    assert isinstance(plan, Thinning)
    assert plan.refused


def test_deleting_wants_the_takes_named(tmp_path: Path) -> None:
    assert run("takes", "--delete", str(tmp_path))[0] == 2
    assert run("takes", "--thin", "--delete")[0] == 2


def test_an_absent_folder_is_refused_and_an_empty_one_says_what_to_do(tmp_path: Path) -> None:
    status, text = run("takes", str(tmp_path / "nowhere"))
    assert status == 1
    assert "there is no such folder" in text
    status, text = run("takes", str(tmp_path))
    assert status == 0
    assert "No takes there yet" in text


def test_one_unreadable_take_does_not_hide_the_others(ferry: Path) -> None:
    broken = ferry.parent / "broken"
    broken.mkdir()
    (broken / "journal.jsonl").mkdir()
    status, text = run("takes", str(ferry.parent))
    assert status == 1
    assert "ferry: 16:00" in text
    assert "broken" in text
