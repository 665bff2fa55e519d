"""The listener: what it takes over from an earlier one, and how it ends when its journal fails."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from bridge import listener
from bridge.edge.host_clock import now
from bridge.edge.link import Alive, EndAsked, Link, PortsGone, Standing
from bridge.engine import Engine
from bridge.events import Fact, ListenerLost, ListenerStarted, PedalTold, SoundKept, SoundNotKept, TakeEnded
from bridge.events_hand import HandsOff, TempoKept
from bridge.journal.recover import recover
from bridge.journal.sound import SoundWriter
from bridge.journal.take import JOURNAL
from bridge.rig import Deck, Pedal, Rig, SoundInput
from bridge.screen import Screen

RIG = Rig(
    path="test",
    sound=SoundInput(),
    decks=(Deck(name="north", channels=(1,)),),
    pedals=(Pedal(name="long echo", port="Pedals A", listens_to="north"),),
)
TOLD = PedalTold(at=100.0, pedal="long echo", deck="north", tempo=84.0, ratio=1.0, why="begin")
LOST = ListenerLost(at=101.0, pid=7, why="killed by SIGKILL")


@pytest.fixture
def link() -> Iterator[tuple[Link, Link]]:
    """The sender's end of a link, and the listener's."""
    ours, theirs = Link.pair()
    yield ours, theirs
    ours.close()
    theirs.close()


@pytest.fixture
def tape(tmp_path: Path) -> Path:
    """A second of silence."""
    path = tmp_path / "tape.wav"
    soundfile.write(path, np.zeros((48_000, 1), np.float32), 48_000)
    return path


def facts_of(folder: Path) -> list[Fact]:
    return list(recover((folder / JOURNAL).read_bytes()).facts)


def test_a_second_listener_takes_over_what_the_pedals_were_told_and_says_how_the_first_was_lost(
    link, tape, tmp_path, monkeypatch
):
    """As the sender hands it over: facts that no listener vouched for, then each pedal's newest order."""
    resumed, shown, gone, news, began = [], [], [], [], []

    class Told(Engine):
        def resume(self, told: PedalTold) -> None:
            resumed.append(told)
            super().resume(told)

    class Shown(Screen):
        def __init__(self, rig: Rig, title: str, began_at: float) -> None:
            began.append(began_at)
            super().__init__(rig, title, began_at)

        def take_over(self, told: PedalTold) -> None:
            shown.append(told)

        def show_gone(self, ports: tuple[str, ...]) -> None:
            gone.extend(ports)

        def note(self, fact: Fact) -> None:
            news.append(fact)

    monkeypatch.setattr(listener, "Engine", Told)
    monkeypatch.setattr(listener, "Screen", Shown)
    sender, theirs = link
    for message in (LOST, PortsGone(("Pedals A",)), TOLD, EndAsked("Ctrl-C")):
        sender.send(message)
    listener.listen(theirs, 2, RIG, tmp_path, "the bridge plays", (tape, now()), 12.5)
    assert (resumed, shown, began) == ([TOLD], [TOLD], [12.5])
    assert gone == ["Pedals A"]
    assert LOST in news
    kinds = [type(fact) for fact in facts_of(tmp_path)]
    assert PedalTold not in kinds
    assert kinds.index(ListenerLost) < kinds.index(ListenerStarted) < kinds.index(TakeEnded)
    assert sender.receive()[-1] == Alive(heard=2)


def test_what_stands_by_hand_reaches_the_engine_after_what_the_pedals_were_told(link, tape, tmp_path, monkeypatch):
    """And is not written down again; what is done now is."""
    told = []
    monkeypatch.setattr(Engine, "resume", lambda engine, order: told.append(order))
    monkeypatch.setattr(Engine, "obey", lambda engine, hand: told.append(hand) or [])
    sender, theirs = link
    off, kept = HandsOff(at=1.0, pedal="long echo"), TempoKept(at=2.0, deck="north")
    for message in (kept, TOLD, Standing((off,)), EndAsked("Ctrl-C")):
        sender.send(message)
    listener.listen(theirs, 2, RIG, tmp_path, "the bridge plays", (tape, now()))
    assert told == [TOLD, kept, off]
    assert kept in facts_of(tmp_path)
    assert off not in facts_of(tmp_path)


@pytest.mark.parametrize("what", ["sound", "tap"])
def test_sound_and_tap_end_together_told_once(link, tape, tmp_path, monkeypatch, what):
    """Whichever of them the disk refuses first: it is the same disk, and one without the other replays nothing."""
    soundfile.write(tape, np.zeros((24_000, 3), np.float32), 48_000)
    keep = SoundWriter._keep

    def refuse(writer: SoundWriter, frame: int, samples: np.ndarray) -> None:
        if writer._prefix.startswith(what):
            raise OSError(28, "the disk is full")
        keep(writer, frame, samples)

    monkeypatch.setattr(SoundWriter, "_keep", refuse)
    sender, theirs = link
    ends = threading.Timer(0.8, lambda: sender.send(EndAsked("Ctrl-C")))
    ends.start()
    decks = (Deck(name="north", channels=(1,), dry=(3,)),)
    listener.listen(theirs, 1, replace(RIG, decks=decks), tmp_path, "the bridge plays", (tape, now()))
    ends.join()
    (told,) = [fact for fact in facts_of(tmp_path) if isinstance(fact, SoundNotKept)]
    assert "the disk is full" in told.why
    for path in tmp_path.glob("*.flac"):
        assert soundfile.info(path).frames < 20_000


def test_a_journal_that_cannot_be_written_is_told_on_one_line_and_ends_the_listener(link, tape, tmp_path, capfd):
    with pytest.raises(SystemExit) as ended:
        listener.listen(link[1], 1, RIG, tmp_path / "absent", "the bridge plays", (tape, now()))
    assert ended.value.code == 1
    told = capfd.readouterr().err
    assert JOURNAL in told
    assert len(told.splitlines()) == 1
    assert link[0].receive() == []
    assert link[0].closed


def test_what_the_pedals_were_told_is_taken_over_from_behind_many_facts_too(link, tape, tmp_path, monkeypatch):
    resumed = []
    monkeypatch.setattr(Engine, "resume", lambda engine, told: resumed.append(told))
    sender, theirs = link
    for message in (*[LOST] * 230, TOLD, EndAsked("Ctrl-C")):
        sender.send(message)
    assert not sender.waiting
    listener.listen(theirs, 2, RIG, tmp_path, "the bridge plays", (tape, now()))
    assert resumed == [TOLD]


def test_kept_sound_is_placed_in_time_and_its_channels_are_named(link, tape, tmp_path):
    """Frame 0 lies where the tape begins, by the host clock: so a moment is found again in the files."""
    sender, theirs = link
    begin_at = now() + 0.2
    ends = threading.Timer(0.7, lambda: sender.send(EndAsked("Ctrl-C")))
    ends.start()
    listener.listen(theirs, 1, RIG, tmp_path, "the bridge plays", (tape, begin_at))
    ends.join()
    (kept,) = [fact for fact in facts_of(tmp_path) if isinstance(fact, SoundKept)]
    assert (kept.frame, kept.decks) == (0, ("north",))
    assert kept.at == pytest.approx(begin_at, abs=1e-3)
