"""The terminal of a running set."""

from __future__ import annotations

import io
import sys
import threading
import time
from dataclasses import replace

import pytest
from rich.console import Console

from bridge.engine import DeckStatus
from bridge.events import (
    BeatPlaced,
    DeckChanged,
    Fact,
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
from bridge.events_foot import OscCounted
from bridge.events_hand import HandsOff, HandsOn, RatioFolded, TempoKept, TempoLetGo
from bridge.events_host import DryTapTurned, HostSuspended, NetLost, SenderReady, SleepInhibited, SleepPossible
from bridge.events_sent import DelayTimeTold, TapsDropped, TapsSent
from bridge.rig import Deck, Pedal, Rig, SoundInput
from bridge.screen import Screen
from bridge.screen_news import news

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


def shown(height: int = 25, *, terminal: bool) -> tuple[Screen, io.StringIO]:
    """Return a screen and what it prints."""
    output = io.StringIO()
    console = Console(file=output, force_terminal=terminal, width=100, height=height, color_system=None)
    return Screen(RIG, "the bridge plays", 100.0, console), output


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
    def size(*times: float) -> int:
        screen, output = shown(terminal=True)
        with screen:
            for at in times:
                screen.draw(at, DECKS)
                wait_until_printed(screen)
        return len(output.getvalue())

    assert size(110.0, 110.1) == size(110.0) < size(110.0, 110.3)


def wait_until_printed(screen: Screen) -> None:
    give_up = time.monotonic() + 5.0
    while screen._printer._waiting and time.monotonic() < give_up:
        time.sleep(0.001)


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
        (
            replace(SWITCH, change="stopped", tempo_after=None, sure=False),
            "north: stopped, perhaps, 59.0 -> – bpm",
        ),
        (MarkPlaced(at=1.0, wall=0.0, text="[bold] the ferry"), "mark: [bold] the ferry"),
        (ListenerLost(at=1.0, pid=7, why="signal 9"), "the listener was lost (signal 9); the clocks went on"),
        (PortOpened(at=1.0, port="Pedals A", found="Pedals A 20:0"), "Pedals A: ready (Pedals A 20:0)"),
        (
            PortLost(at=1.0, port="Pedals A", why="unplugged"),
            "Pedals A: gone (unplugged); it is tried again every second",
        ),
        (
            SenderReady(at=1.0, pid=1, priority="normal", timer="usual", memory="not locked"),
            "the clocks have no real-time priority (normal): see tapebridge check",
        ),
        (
            OscCounted(at=1.0, received=9, handled=7, refused=1, malformed=1, why='there is no OSC address "/tap"'),
            'OSC in: 2 messages not done so far; the newest: there is no OSC address "/tap"',
        ),
        (
            SleepPossible(at=1.0, why="no word"),
            "the machine may go to sleep by itself (no word): switch that off in the system's settings",
        ),
        (
            HostSuspended(at=1.0, slept_s=125.0),
            "the machine slept for 2:05; the clocks go on, their beats must be heard anew",
        ),
        (TicksDropped(at=1.0, port="Pedals A", count=1), "Pedals A: 1 late tick left out"),
        (TicksDropped(at=1.0, port="Pedals A", count=3), "Pedals A: 3 late ticks left out"),
        (TapsSent(at=1.0, pedal="short echo", tempo=84.04, count=4), "short echo: 4 taps at 84.0 bpm"),
        (TapsDropped(at=1.0, pedal="short echo", sent=3, count=1), "short echo: 1 late tap left out"),
        (DelayTimeTold(at=1.0, pedal="long echo", delay_ms=714.3, why="step"), "long echo: 714 ms"),
        (
            RatioFolded(at=1.0, pedal="long echo", asked=1.0, ratio=2.0, why="1/4 at 59.0 bpm, 1017 ms, is too long"),
            "long echo: told 2 beats a beat instead of 1 (1/4 at 59.0 bpm, 1017 ms, is too long)",
        ),
        (HandsOff(at=1.0, pedal="long echo"), "long echo: hands off, it has its knobs"),
        (HandsOn(at=1.0, pedal="long echo"), "long echo: hands on"),
        (TempoKept(at=1.0, deck="north"), "north: tempo kept"),
        (TempoLetGo(at=1.0, deck="north"), "north: tempo let go"),
        (SoundLost(at=1.0, frames=0, why="no device"), "sound: no device"),
        (NetLost(at=1.0, why="weights.npz: no net"), "weights.npz: no net"),
        (
            DryTapTurned(at=1.0, deck="south", is_heard=False),
            "south: the dry tap is silent; its channels are heard instead",
        ),
        (DryTapTurned(at=1.0, deck="south", is_heard=True), "south: the dry tap is heard again"),
        (SoundNotKept(at=1.0, why="the disk is full"), "sound is no longer recorded: the disk is full"),
    ],
)
def test_what_matters_to_a_performer_is_news(fact, line):
    assert news(fact) == line
    screen, output = shown(terminal=False)
    with screen:
        screen.note(fact)
    assert line in output.getvalue()


def test_what_the_machine_grants_is_no_news():
    assert news(SenderReady(at=1.0, pid=1, priority="real time", timer="1 ns", memory="locked")) is None
    assert news(SleepInhibited(at=1.0, by="cat")) is None


def test_a_delay_time_that_drifts_is_no_news():
    assert news(DelayTimeTold(at=1.0, pedal="long echo", delay_ms=714.3, why="drift")) is None


class Blocked(io.StringIO):
    """A terminal after Ctrl-S: what is written to it never returns."""

    def write(self, text: str) -> int:
        threading.Event().wait()
        return len(text)


class Closed(io.StringIO):
    """A pipe whose reader has gone."""

    def write(self, text: str) -> int:
        raise BrokenPipeError(32, "Broken pipe")


class Full(io.StringIO):
    """A file on a full disk."""

    def write(self, text: str) -> int:
        raise OSError(28, "No space left on device")


def ascii_only() -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(), "ascii", write_through=True)


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize("stream", [Blocked, Closed, Full, ascii_only])
def test_no_terminal_can_fail_or_hold_up_the_set(monkeypatch, stream, terminal):
    """Stopped, closed, full or at odds with a letter: hundreds of facts take less than 2 s, and so does leaving."""
    monkeypatch.setattr(sys, "stdout", io.StringIO())  # rich gives a closed pipe's place to nothing
    console = Console(file=stream(), force_terminal=terminal, width=100)
    began = time.monotonic()
    with Screen(RIG, "the bridge – plays", 100.0, console) as screen:
        for n in range(300):
            screen.note(BEGIN)
            screen.note(MarkPlaced(at=100.0 + n, wall=0.0, text="å"))
            screen.draw(100.0 + n, DECKS)
        assert time.monotonic() - began < 2.0
        leaving = time.monotonic()
    assert time.monotonic() - leaving < 2.0


@pytest.mark.parametrize("terminal", [True, False])
def test_names_and_texts_are_shown_as_they_are_and_never_as_markup(terminal):
    names = ("north [/a]", "[bold]long echo", "[red]plays :smile:")
    rig = Rig(
        path="test",
        sound=SoundInput(),
        decks=(Deck(name=names[0], channels=(1,)),),
        pedals=(Pedal(name=names[1], port="Pedals A", listens_to=names[0]),),
    )
    output = io.StringIO()
    with Screen(rig, names[2], 100.0, Console(file=output, force_terminal=terminal, color_system=None)) as screen:
        screen.note(FollowerChanged(at=100.0, deck=names[0], was="listening", now="following"))
        screen.note(PedalTold(at=101.0, pedal=names[1], deck=names[0], tempo=84.0, ratio=1.0, why="begin"))
        screen.draw(102.0, (DeckStatus(deck=names[0], state="following", tempo=84.0, level_db=-18.0),))
    assert all(name in output.getvalue() for name in names)


def test_news_stay_on_one_line_and_move_no_cursor():
    screen, output = shown(terminal=False)
    with screen:
        screen.note(MarkPlaced(at=100.0, wall=0.0, text="the\nferry\x1b[2J\u202eanswers" + "!" * 900))
    [_, line] = output.getvalue().splitlines()
    assert line.startswith("0:00  mark: the ferry [2J answers!!!")
    assert len(line) < 220


def test_a_later_listener_shows_what_an_earlier_one_told_and_counts_on_from_the_beginning():
    screen, output = shown(terminal=True)
    with screen:
        screen.take_over(BEGIN)
        screen.show_gone(["Pedals B"])
        screen.draw(161.0, DECKS)
    last = output.getvalue().rpartition("the bridge plays")[2]
    assert "1:01" in last
    assert "port gone" in row_of("stutter", output)
    assert "begin at 0:12" in last
    assert "long echo: begin" not in last


def last_picture(output: io.StringIO) -> list[str]:
    """Return the lines of the last picture that was drawn."""
    return output.getvalue().rpartition("the bridge plays")[2].splitlines()


def row_of(name: str, output: io.StringIO) -> str:
    return next(line for line in last_picture(output) if line.strip().startswith(name))


def test_a_pedal_whose_port_is_gone_claims_no_clock_until_the_port_is_back():
    def row(*facts: Fact) -> str:
        screen, output = shown(terminal=True)
        with screen:
            for fact in (BEGIN, *facts):
                screen.note(fact)
            screen.draw(161.0, DECKS)
        return row_of("long echo", output)

    lost = PortLost(at=120.0, port="Pedals A", why="unplugged")
    assert "84.0 bpm" in row(PortLost(at=120.0, port="Pedals B", why="unplugged"))
    assert "port gone" in row(lost)
    assert "84.0 bpm" not in row(lost)
    assert "84.0 bpm" in row(lost, PortOpened(at=121.0, port="Pedals A", found="Pedals A 20:0"))


def test_before_there_is_sound_every_deck_is_shown_without_it():
    screen, output = shown(terminal=True)
    with screen:
        screen.draw(101.0, ())
    assert "no sound yet" in row_of("north", output)
    assert "no sound yet" in row_of("south", output)


def test_news_stand_in_the_order_of_their_time():
    screen, output = shown(terminal=True)
    with screen:
        screen.note(MarkPlaced(at=103.0, wall=0.0, text="second"))
        screen.note(MarkPlaced(at=101.0, wall=0.0, text="first"))
        screen.draw(110.0, DECKS)
    news_lines = [line.strip() for line in last_picture(output) if "mark:" in line]
    assert news_lines == ["0:01  mark: first", "0:03  mark: second"]


@pytest.mark.parametrize(("height", "lines"), [(8, 5), (15, 8), (60, 12)])
def test_as_many_news_are_shown_as_the_terminal_has_room_for(height, lines):
    """The head, two tables of three rows, and the rest; five at least, of which a tiny terminal shows the first."""
    screen, output = shown(height, terminal=True)
    with screen:
        for n in range(20):
            screen.note(MarkPlaced(at=100.0 + n, wall=0.0, text=f"number {n}"))
        screen.draw(130.0, DECKS)
    shown_lines = [line for line in last_picture(output) if "mark:" in line]
    assert len(shown_lines) == lines
    assert "number 19" in shown_lines[-1]


def test_the_same_loss_of_sound_again_is_counted_and_takes_no_line():
    screen, output = shown(terminal=True)
    with screen:
        for n in range(7):
            screen.note(SoundLost(at=100.0 + n, frames=256, why="overflow"))
        screen.note(SoundLost(at=108.0, frames=0, why="no device"))
        screen.draw(110.0, DECKS)
    news_lines = [line.strip() for line in last_picture(output) if "sound:" in line]
    assert news_lines == ["0:06  sound: overflow (7 times)", "0:08  sound: no device"]


def test_where_there_is_no_terminal_the_same_loss_again_is_a_line_ever_more_seldom():
    screen, output = shown(terminal=False)
    with screen:
        for n in range(7):
            screen.note(SoundLost(at=100.0 + n, frames=256, why="overflow"))
    assert output.getvalue().splitlines()[1:] == [
        "0:00  sound: overflow",
        "0:01  sound: overflow (2 times)",
        "0:03  sound: overflow (4 times)",
    ]
