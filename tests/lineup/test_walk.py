"""The walk with a made-up performer and a made-up stage: in order, one thing at a time, and nothing sent unasked."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bridge.lineup.findings import Finding
from bridge.lineup.pedals import Ask, ask
from bridge.lineup.walk import Heard, walk
from bridge.rig import Deck, Pedal, Rig, SoundInput
from tests.lineup.sounds import RATE, inputs, tape

RIG = Rig(
    path="rig.toml",
    sound=SoundInput(),
    decks=(Deck(name="north", channels=(1, 2)), Deck(name="south", channels=(3,))),
    pedals=(
        Pedal(name="long echo", port="Pedals A", listens_to="north"),
        Pedal(name="stutter", port="Pedals B", listens_to="south"),
    ),
)


class Performer:
    """Answers what it is given, then Enter; writes down what it sees."""

    def __init__(self, answers: Sequence[str] = (), *, asks: bool = True) -> None:
        self.asks = asks
        self.seen: list[str] = []
        self._answers = list(answers)

    def head(self, text: str) -> None:
        self.seen.append(f"# {text}")

    def say(self, text: str) -> None:
        self.seen.append(text)

    def found(self, finding: Finding) -> None:
        self.seen.append(f"- {finding.what}")

    def ready(self, what: str) -> bool:
        self.seen.append(f"> {what}")
        return not self.asks or self._next() != "n"

    def agrees(self, question: str) -> bool | None:
        if not self.asks:
            return None
        self.seen.append(f"? {question}")
        answer = self._next()
        return None if answer == "?" else answer != "n"

    def _next(self) -> str:
        return self._answers.pop(0) if self._answers else ""


class Stage:
    """Plays what is to be heard: silence, then each deck, then the deck with an echo."""

    def __init__(self, *, deaf: str = "", lost: int = 0, absent: str = "", off: float = 1.0) -> None:
        self.deaf = deaf
        self.told: list[tuple[str, Ask]] = []
        self._lost = lost
        self._absent = absent
        self._off = off
        self._times = 0

    def hear(self, seconds: float, pedal: Pedal | None = None, asked: Ask | None = None) -> Heard:
        self._times += 1
        one = tape(1, seconds)
        played = {1: {}, 2: {"one": one, "two": tape(2, seconds)}, 3: {"one": one}, 4: {"three": one}}
        sound = inputs(seconds, **played.get(self._times, {"one": one}))
        if pedal is not None and asked is not None:
            self.told.append((pedal.name, asked))
            late = round(self._off * asked.delay_ms * RATE / 1000)
            sound[late:, 3] += 0.5 * one[: len(one) - late]
        return Heard(samples=sound.astype(np.float32), rate=RATE, lost=self._lost)

    def mute(self, pedal: Pedal) -> str:
        return f'"{pedal.port}" matches no MIDI output. Plug it in' if pedal.port == self._absent else ""


def walked(performer: Performer, stage: Stage) -> dict[tuple[str, str], Finding]:
    return {(finding.where, finding.what): finding for finding in walk(RIG, performer, stage)}


def test_the_walk_goes_from_silence_by_each_deck_to_each_pedal() -> None:
    performer, stage = Performer(), Stage()
    found = walked(performer, stage)
    assert [line for line in performer.seen if line[0] in "#>?"] == [
        "# silence",
        "> Stop all decks; leave faders and sends open.",
        "# north",
        "> Play north alone, as loud as it gets tonight.",
        "> Now only the first track of north, the others down.",
        "# south",
        "> Play south alone, as loud as it gets tonight.",
        "# long echo",
        "> Play north into long echo, and listen: its echo should come after 430 ms.",
        "? In time? Enter for yes, n for no, ? if you cannot tell",
        "# stutter",
        "> Play south into stutter, and listen: its echo should come after 430 ms.",
        "? In time? Enter for yes, n for no, ? if you cannot tell",
    ]
    assert [name for name, _ in stage.told] == ["long echo", "stutter"]
    assert stage.told[0][1] == ask(RIG.pedals[0])
    assert found["north", "hum"].well == found["south", "level"].well == found["north", "channels"].well == "well"
    assert found["long echo", "echo"].well == found["long echo", "by ear"].well == "well"
    assert found["stutter", "echo"].well == "open"  # south is not heard by then


def test_a_word_of_caution_comes_first() -> None:
    performer = Performer()
    walked(performer, Stage())
    assert "Turn monitors down" in performer.seen[0]
    assert "never by lifting the protective earth" in performer.seen[1]


def test_what_is_left_out_is_not_told_and_stays_open() -> None:
    performer, stage = Performer(["n"] * 10), Stage()
    found = walked(performer, stage)
    assert stage.told == []
    assert {finding.well for finding in found.values()} == {"open"}
    assert {where for where, _ in found} == {"north", "south", "long echo", "stutter"}


def test_what_the_performer_hears_counts_beside_what_is_measured() -> None:
    """Silence, north, its track, south; then long echo: go on, and no; then stutter: go on, and cannot tell."""
    found = walked(Performer(["", "", "", "", "", "n", "", "?"]), Stage())
    assert found["long echo", "by ear"].well == "look"
    assert "clock or tap input" in found["long echo", "by ear"].todo
    assert found["long echo", "echo"].well == "well"
    assert found["stutter", "by ear"].well == "open"


def test_where_nobody_is_asked_one_listening_serves_all_decks_and_pedals_are_told() -> None:
    performer, stage = Performer(asks=False), Stage()
    found = walked(performer, stage)
    assert not [line for line in performer.seen if line[0] == "?"]
    assert [name for name, _ in stage.told] == ["long echo", "stutter"]
    assert found["north", "hum"].well == "well"  # the first that this stage plays is silence
    assert found["north", "level"].said == "not checked: it does not play"
    assert found["long echo", "by ear"].well == "open"


def test_without_a_sound_device_the_pedals_are_told_and_listened_to() -> None:
    stage = Stage(deaf='"Deck interface" matches no sound input. Plug it in.')
    found = walked(Performer(), stage)
    assert (found["sound", "device"].said, found["sound", "device"].todo) == (
        '"Deck interface" matches no sound input',
        "Plug it in",
    )
    assert [name for name, _ in stage.told] == ["long echo", "stutter"]
    assert found["long echo", "by ear"].well == "well"
    assert found["long echo", "echo"].well == "open"
    assert ("north", "level") not in found


def test_a_pedal_that_cannot_be_reached_is_not_asked_for() -> None:
    performer, stage = Performer(), Stage(absent="Pedals B")
    found = walked(performer, stage)
    assert (found["stutter", "port"].well, found["stutter", "port"].todo) == ("look", "Plug it in")
    assert [name for name, _ in stage.told] == ["long echo"]
    assert not any("into stutter" in line for line in performer.seen)


def test_an_echo_that_is_off_is_not_held_against_the_pedal_where_sound_went_missing() -> None:
    sure = walked(Performer(), Stage(off=0.9))["long echo", "echo"]
    unsure = walked(Performer(), Stage(off=0.9, lost=4800))["long echo", "echo"]
    assert (sure.well, unsure.well) == ("look", "open")
    assert sure.said == unsure.said == "387 ms on input 4, asked for 430 ms"
    assert unsure.todo == "Walk through long echo again, since sound went missing"
    assert walked(Performer(), Stage(lost=4800))["long echo", "echo"].well == "well"


def test_sound_that_went_missing_is_told() -> None:
    assert walked(Performer(), Stage(lost=0)).get(("sound", "gaps")) is None
    assert walked(Performer(), Stage(lost=4800))["sound", "gaps"].said == "100 ms of sound went missing meanwhile"
