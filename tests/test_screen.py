"""The terminal of a running set."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from bridge.engine import DeckStatus
from bridge.events import (
    BeatPlaced,
    DeckChanged,
    FollowerChanged,
    ListenerLost,
    MarkPlaced,
    PedalTold,
    PortLost,
    PortOpened,
    SoundLost,
    SoundNotKept,
    TicksDropped,
)
from bridge.rig import Deck, Pedal, Rig, SoundInput
from bridge.screen import Screen, news

RIG = Rig(
    path="test",
    sound=SoundInput(),
    decks=(Deck(name="north", channels=(1,)), Deck(name="south", channels=(2,))),
    pedals=(
        Pedal(name="long echo", port="Pedals A", listens_to="north"),
        Pedal(name="stutter", port="Pedals B", listens_to="south", begin_tempo=72.0),
    ),
)
DECKS = (
    DeckStatus(deck="north", state="following", tempo=83.95, level_db=-18.0),
    DeckStatus(deck="south", state="idle", tempo=None, level_db=-120.0),
)
BEGIN = PedalTold(at=112.0, pedal="long echo", deck="north", tempo=84.0, ratio=1.0, why="begin")
DRIFT = PedalTold(at=120.0, pedal="long echo", deck="north", tempo=83.9, ratio=1.0, why="drift")
SWITCH = DeckChanged(
    at=130.0,
    deck="north",
    change="speed switch",
    tempo_before=59.0,
    tempo_after=118.0,
    level_before_db=-20.0,
    level_after_db=-21.0,
    known=133.0,
)


def shown(width: int = 100, *, terminal: bool) -> tuple[Screen, io.StringIO]:
    """Return a screen and what it prints."""
    output = io.StringIO()
    console = Console(file=output, force_terminal=terminal, width=width, color_system=None)
    return Screen(RIG, "the bridge plays", console), output


def test_a_terminal_shows_each_deck_and_what_each_pedal_was_last_told():
    screen, output = shown(terminal=True)
    with screen:
        screen.note(FollowerChanged(at=100.0, deck="north", was="listening", now="following"))
        screen.note(BEGIN)
        screen.note(DRIFT)
        screen.draw(161.0, DECKS)
    last = output.getvalue().rpartition("the bridge plays")[2]
    assert "1:01" in last
    for piece in ("84.0 bpm", "● following", "-18 dB", "· idle", "silent", "83.9 bpm", "drift at 0:20"):
        assert piece in last
    assert "begins at 72 bpm" in last


def test_it_is_redrawn_four_times_a_second_at_most():
    screen, output = shown(terminal=True)
    with screen:
        screen.draw(10.0, DECKS)
        length = len(output.getvalue())
        screen.draw(10.1, DECKS)
        assert len(output.getvalue()) == length
        screen.draw(10.3, DECKS)
        assert len(output.getvalue()) > length


def test_where_there_is_no_terminal_each_change_is_a_line_and_drift_is_not():
    screen, output = shown(terminal=False)
    with screen:
        screen.note(FollowerChanged(at=100.0, deck="north", was="listening", now="following"))
        screen.note(BEGIN)
        screen.note(DRIFT)
        screen.note(BeatPlaced(at=121.0, deck="north", index=3, tempo=84.0, confidence=0.9, known=121.0))
        screen.draw(122.0, DECKS)
    assert output.getvalue().splitlines() == [
        "the bridge plays",
        "0:00  north: listening -> following",
        "0:12  long echo: begin, 84.0 bpm",
    ]


@pytest.mark.parametrize(
    ("fact", "line"),
    [
        (SWITCH, "north: speed switch, 59.0 -> 118.0 bpm"),
        (MarkPlaced(at=1.0, wall=0.0, text="[bold] the ferry"), "mark: [bold] the ferry"),
        (ListenerLost(at=1.0, pid=7, why="signal 9"), "the listener was lost (signal 9); the clocks went on"),
        (PortOpened(at=1.0, port="Pedals A", found="Pedals A 20:0"), "Pedals A: ready (Pedals A 20:0)"),
        (
            PortLost(at=1.0, port="Pedals A", why="unplugged"),
            "Pedals A: gone (unplugged); it is tried again every second",
        ),
        (TicksDropped(at=1.0, port="Pedals A", count=3), "Pedals A: 3 late ticks left out"),
        (SoundLost(at=1.0, frames=0, why="no device"), "sound: no device"),
        (SoundNotKept(at=1.0, why="the disk is full"), "sound is no longer recorded: the disk is full"),
    ],
)
def test_what_matters_to_a_performer_is_news(fact, line):
    assert news(fact) == line
    screen, output = shown(terminal=False)
    with screen:
        screen.note(fact)
    assert line in output.getvalue()
