"""The rehearsal: the whole chain on the built-in set, scored against what the simulator hid."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from bridge import rehearse
from bridge.edge.control import Control
from bridge.edge.host_clock import now
from bridge.errors import BridgeError, TakeError
from bridge.events import BeatPlaced, DeckChanged, Fact, LevelHeard, ListenerStarted, PedalTold, SoundHeard
from bridge.journal.take import RIG_COPY
from bridge.rehearse import rehearse_fast, rehearse_live
from bridge.replay import follow_take
from bridge.review.read import read_take
from bridge.rig_text import parse_rig, read_rig_text
from bridge.testing.night import built_in_rig


class Deaf:
    """An engine whose followers are disabled: it says how loud it is, and nothing else."""

    def __init__(self, rig, rate) -> None:
        self.decks = [deck.name for deck in rig.decks]

    def handle(self, event: SoundHeard) -> list[Fact]:
        return [LevelHeard(at=event.at, deck=deck, level_db=-20.0) for deck in self.decks if event.frame % 48_000 == 0]


@dataclass(frozen=True)
class Live:
    """A rehearsal in real time, in a process of its own, which leaves what came of it in ``told``."""

    process: subprocess.Popen[str]
    told: Path


@pytest.fixture(scope="module", autouse=True)
def live(tmp_path_factory):
    """Night 1 in real time: it takes two minutes, in which the other tests run."""
    told = tmp_path_factory.mktemp("live") / "told.json"
    code = f"from tests.test_rehearse import play_in_real_time; play_in_real_time({str(told)!r})"
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        env=os.environ | {"TAPEBRIDGE_RUNTIME": str(told.with_name("runtime"))},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    yield Live(process, told)
    process.terminate()
    process.wait(20)


@pytest.fixture(scope="module")
def fast(tmp_path_factory):
    """Night 1, as fast as the machine can."""
    return rehearse_fast(1, tmp_path_factory.mktemp("fast"))


def test_the_built_in_set_is_followed_well(fast):
    assert fast.score.passed, "\n".join(fast.score.lines())
    assert len(fast.score.lines()) == 5


def test_every_change_of_the_deck_is_in_the_journal_with_before_and_after(fast):
    changes = [fact for fact in read_take(fast.folder).facts if isinstance(fact, DeckChanged) and fact.deck == "north"]
    assert [change.change for change in changes] == ["started", "stopped", "started", "another tape", "speed switch"]
    _, stopped, _, tape, switch = changes
    assert stopped.level_before_db > stopped.level_after_db + 20
    assert (tape.tempo_before, tape.tempo_after) == (pytest.approx(84, rel=0.04), pytest.approx(59, rel=0.03))
    assert (switch.tempo_before, switch.tempo_after) == (pytest.approx(59, rel=0.02), pytest.approx(118, rel=0.02))


def test_the_report_says_which_way_it_ran(fast):
    assert "without the sender process" in fast.how


def test_the_same_night_twice_is_told_the_same(fast, tmp_path):
    again = rehearse_fast(1, tmp_path)
    assert again.score.lines()[:4] == fast.score.lines()[:4]
    assert told(again) == told(fast)


def told(rehearsed):
    return [fact for fact in read_take(rehearsed.folder).facts if isinstance(fact, PedalTold)]


def test_another_seed_is_another_night_and_is_followed_too(fast, tmp_path):
    other = rehearse_fast(4, tmp_path)
    assert told(other) != told(fast)
    assert other.score.false_starts == 0
    assert all(catch.after_s is not None for catch in other.score.catches)


def test_with_the_follower_disabled_every_line_visibly_fails(tmp_path):
    deaf = rehearse_fast(1, tmp_path, engine=Deaf)
    assert not any(line.passed for line in deaf.score.table())
    assert all(line.endswith("short of it") for line in deaf.score.lines())


def test_a_folder_that_cannot_be_written_is_told_before_the_set(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(TakeError, match="file"):
        rehearse_fast(1, tmp_path / "file")


def test_a_second_set_is_refused_before_the_tapes_are_made(tmp_path, monkeypatch):
    monkeypatch.setenv("TAPEBRIDGE_RUNTIME", str(tmp_path / "runtime"))
    monkeypatch.setattr(rehearse, "build_night", lambda seed: pytest.fail("a tape was made"))
    first = Control(now)
    try:
        with pytest.raises(BridgeError, match=f"process {os.getpid()}"):
            rehearse_live(1, tmp_path / "takes")
    finally:
        first.close()
    assert not (tmp_path / "takes").exists()


def test_a_rehearsal_that_is_ended_early_is_not_scored(tmp_path):
    env = os.environ | {"TAPEBRIDGE_RUNTIME": str(tmp_path / "runtime")}
    command = [sys.executable, "-m", "bridge", "rehearse", "--folder", "takes"]
    night = subprocess.Popen(
        command, cwd=tmp_path, env=env, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    try:
        give_up = time.monotonic() + 40
        while not list(tmp_path.glob("takes/*/sound-*")) and time.monotonic() < give_up:
            time.sleep(0.1)
        night.send_signal(signal.SIGINT)
        output, errors = night.communicate(timeout=20)
    finally:
        night.kill()
        night.wait()
    [review] = tmp_path.glob("takes/*/review.html")
    assert night.returncode == 1
    told = f"Ended early (Ctrl-C): not scored. Review: {review.relative_to(tmp_path)}"
    assert errors.decode().splitlines()[-1] == told
    assert b"short of it" not in output


@pytest.mark.timeout(300)
def test_in_real_time_the_same_set_goes_through_the_sender_process(live):
    """The two minutes of the README's first command, with real processes and clocks."""
    output, _ = live.process.communicate()
    assert live.process.returncode == 0, output
    told = json.loads(live.told.read_text())
    assert "with the sender process" in told["how"]
    assert None not in told["caught_after_s"], output
    assert min(told["shares"]) > 0.7
    assert told["false_starts"] == 0
    starts = [fact for fact in read_take(Path(told["folder"])).facts if isinstance(fact, ListenerStarted)]
    assert [start.start for start in starts] == [1]
    assert "north: listening -> following" in output


@pytest.mark.timeout(300)
def test_heard_again_the_take_gives_the_beats_that_were_found_in_real_time(live):
    """To what 24 bits keep of a tape of floats."""
    live.process.wait()
    folder = Path(json.loads(live.told.read_text())["folder"])
    take = read_take(folder)
    found = [(take.seconds(fact.at), fact.tempo) for fact in take.facts if isinstance(fact, BeatPlaced)]
    assert len(found) > 100
    again = [(beat.at, beat.tempo) for beat in follow_take(folder).beats()]
    assert np.array(again) == pytest.approx(np.array(found), abs=1e-3)


def test_a_rehearsals_take_has_its_rig_with_it(fast):
    path = str(fast.folder / RIG_COPY)
    assert parse_rig(read_rig_text(Path(path)), path) == replace(built_in_rig(), path=path)


def play_in_real_time(told: str) -> None:
    """Play night 1, and leave what came of it in a file."""
    path = Path(told)
    played = rehearse_live(1, path.parent)
    score = played.score
    path.write_text(
        json.dumps(
            {
                "how": played.how,
                "folder": str(played.folder),
                "caught_after_s": [catch.after_s for catch in score.catches],
                "shares": list(score.shares.values()),
                "false_starts": score.false_starts,
            }
        )
    )
