"""What a performer sees in the dark: short lines, one thing at a time."""

from __future__ import annotations

import io
from collections.abc import Iterator

import numpy as np
import pytest

from bridge.events import SoundHeard
from bridge.lineup.findings import Finding
from bridge.lineup.terminal import Terminal
from bridge.rig import Deck, Rig, SoundInput

RIG = Rig(
    path="rig.toml", sound=SoundInput(), decks=(Deck(name="north", channels=(1,)), Deck(name="south", channels=(2,)))
)
HUM = Finding(where="north", what="hum", well="look", said="50 Hz at -48 dB on input 1", todo="Never lift " * 20 + "it")


class Tty(io.StringIO):
    """A terminal that is one."""

    def isatty(self) -> bool:
        return True


def terminal(*answers: str, out: io.StringIO | None = None, asks: bool = True) -> tuple[Terminal, io.StringIO]:
    lines: Iterator[str] = iter(answers)
    shown = out or io.StringIO()

    def read() -> str:
        try:
            return next(lines)
        except StopIteration:
            raise EOFError from None

    return Terminal(RIG, asks=asks, out=shown, read=read), shown


def test_a_finding_is_one_line_and_what_to_do_stands_below_it() -> None:
    shown = terminal()
    shown[0].head("north")
    shown[0].found(Finding(where="north", what="level", well="well", said="-18 dB, peaks at -7 dB"))
    shown[0].found(HUM)
    _, _, first, second, *rest = shown[1].getvalue().splitlines()
    assert first == "  well  level            -18 dB, peaks at -7 dB"
    assert second == "  LOOK  hum              50 Hz at -48 dB on input 1"
    assert len(rest) > 1
    assert all(len(line) <= 78 and line.startswith(" " * 8) for line in rest)


def test_a_finding_under_another_head_says_whose_it_is() -> None:
    hand, shown = terminal()
    hand.head("silence")
    hand.found(HUM)
    assert "  LOOK  north: hum       50 Hz at -48 dB" in shown.getvalue()


def test_nothing_but_plain_text_goes_into_a_file() -> None:
    hand, shown = terminal("", out=io.StringIO())
    hand.head("north")
    hand.found(HUM)
    hand.ready("Play north.")
    hand.meter(SoundHeard(frame=0, at=0.0, samples=np.ones((10, 2), np.float32)))
    assert "\x1b" not in shown.getvalue()
    assert "\r" not in shown.getvalue()


@pytest.mark.parametrize(("answer", "done"), [("", True), ("y", True), ("n", False), ("N", False), (" no", False)])
def test_enter_goes_on_and_n_leaves_out(answer: str, done: bool) -> None:
    assert terminal(answer)[0].ready("Play north.") is done


@pytest.mark.parametrize(("answer", "told"), [("", True), ("yes", True), ("n", False), ("?", None)])
def test_a_question_takes_yes_no_and_do_not_know(answer: str, told: bool | None) -> None:
    assert terminal(answer)[0].agrees("In time?") is told


def test_where_nobody_is_asked_nothing_is_read() -> None:
    hand, shown = terminal(asks=False)
    assert hand.ready("Play north.")
    assert hand.agrees("In time?") is None
    assert shown.getvalue() == "  Play north.\n"


def test_the_end_of_the_terminal_ends_the_walk() -> None:
    with pytest.raises(EOFError):
        terminal()[0].ready("Play north.")


def test_the_meter_shows_each_deck_and_is_gone_before_the_next_line() -> None:
    hand, shown = terminal(out=Tty())
    block = np.zeros((10, 2), np.float32)
    block[3] = (0.1, 1.0)
    hand.meter(SoundHeard(frame=0, at=0.0, samples=block))
    assert "north █████████████·······  -20 dB   south ████████████████████    0 dB" in shown.getvalue()
    hand.meter(SoundHeard(frame=10, at=0.01, samples=block))
    assert shown.getvalue().count("north") == 1  # ten times a second, and not more
    hand.say("next")
    assert shown.getvalue().endswith("\r\x1b[Knext\n")
