"""The foot as a process, on real ports: MIDI on a private JACK server, OSC on loopback."""

from __future__ import annotations

import os
import select
import socket
import struct
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from math import inf
from pathlib import Path

import pytest
import rtmidi
from pythonosc.osc_message_builder import build_msg

from bridge.actions import Action
from bridge.edge.child import Child, Listen
from bridge.edge.foot import _Foot
from bridge.edge.foot_midi import FootMessage
from bridge.edge.host_clock import now
from bridge.edge.link import Alive, EndAsked, Link
from bridge.edge.midi import end_client
from bridge.events import Fact, PortLost, PortOpened
from bridge.events_foot import ActionRefused, OscCounted, SwitchUsed
from bridge.foot.switches import Switches
from bridge.rig import Deck, Midi, Rig, SoundInput
from bridge.rig_foot import OscInput, Switch, Trigger

TAP = Action("tap", ("north",))
RIG = Rig(path="test.toml", sound=SoundInput(), decks=(Deck(name="north", channels=(1,)),), midi=Midi(api="jack"))
LEFT = Switch(
    name="left",
    trigger=Trigger(kind="note", number=60),
    port="foot board",
    press=Action("keep", ("north",)),
    hold=Action("all quiet"),
    double=Action("let go", ("north",)),
)
PEDAL = Switch(name="tap", trigger=Trigger(kind="cc", number=64), port="foot board", press=TAP)


TRIES = 4
"""On a busy machine JACK loses messages of a client that was late, and others come late: they are sent again."""


class Foot:
    """A foot that runs, and what it told."""

    def __init__(self, rig: Rig) -> None:
        self.child = Child(Listen("bridge.edge.foot:foot", (rig,)), 1, now())
        self.told: list[Fact] = []
        self.alive = 0

    def look(self) -> None:
        """Take in what it told."""
        select.select([self.child.link.fileno()], [], [], 0.01)
        for message in self.child.link.receive():
            self.alive += isinstance(message, Alive)
            if isinstance(message, Fact):
                self.told.append(message)

    def until(self, holds, longest_s: float = 10.0) -> None:
        give_up = time.monotonic() + longest_s
        while not holds():
            assert time.monotonic() < give_up, f"it did not come to that: {self.told}"
            self.look()

    def of(self, kind: type[Fact]) -> list[Fact]:
        return [fact for fact in self.told if isinstance(fact, kind)]

    def used(self) -> list[tuple[str, str, str]]:
        return [(fact.switch, fact.how, fact.action) for fact in self.of(SwitchUsed)]

    def end(self) -> None:
        """Ask it to end, and see that it does in order."""
        self.child.link.send(EndAsked("the set ended"))
        self.until(lambda: self.child.gone)
        assert not self.child.failed


@contextmanager
def running(rig: Rig) -> Iterator[Foot]:
    foot = Foot(rig)
    try:
        yield foot
    finally:
        foot.child.kill()
        foot.child.wait(5)


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.mark.jack
def test_switches_of_a_board_are_told_as_they_are_used(jack_server):
    board = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "foot board")
    board.open_virtual_port("out")
    try:
        with running(replace(RIG, switches=(LEFT, PEDAL))) as foot:
            foot.until(lambda: foot.of(PortOpened))
            give_up = time.monotonic() + 5
            while not foot.used() and time.monotonic() < give_up:  # until JACK has connected them
                for value in (127, 0):
                    board.send_message([0xB0, 64, value])
                    time.sleep(0.03)
                    foot.look()
            time.sleep(0.2)  # longer than any bounce
            sent = now()
            assert any(_moved(foot, board, PEDAL, [0.0, 0.1]) == ("tap", "press", "tap: north") for _ in range(TRIES))
            assert sent <= foot.of(SwitchUsed)[-1].at <= now()
            for moves, wanted in (
                ([0.0, 0.1], ("left", "press", "keep: north")),
                ([0.0, 0.1, 0.2, 0.3], ("left", "double", "let go: north")),
                ([0.0, 0.8], ("left", "hold", "all quiet")),
            ):
                assert any(_moved(foot, board, LEFT, moves) == wanted for _ in range(TRIES))
            foot.end()
    finally:
        end_client(board)


def _moved(foot: Foot, board: rtmidi.MidiOut, switch: Switch, moves: list[float]) -> tuple[str, str, str] | None:
    """Press a switch and let go of it at these times, and return what was told first; None for nothing within 2 s."""
    time.sleep(0.2)
    foot.look()
    foot.told.clear()
    began = time.monotonic()
    status = {"note": 0x90, "cc": 0xB0}[switch.trigger.kind]
    for index, at in enumerate(moves):
        time.sleep(max(0.0, began + at - time.monotonic()))
        board.send_message([status, switch.trigger.number, 0 if index % 2 else 100])
    while not foot.used() and time.monotonic() < began + 2.0:
        foot.look()
    return next(iter(foot.used()), None)


@pytest.mark.jack
def test_an_absent_board_is_told_once_and_the_foot_lives_on(jack_server):
    with running(replace(RIG, switches=(LEFT,))) as foot:
        foot.until(lambda: foot.of(PortLost) and foot.alive >= 4)
        [lost] = foot.of(PortLost)
        assert (lost.port, lost.why[:36]) == ("foot board", '"foot board" matches no MIDI input. ')
        foot.end()


def test_osc_asks_for_actions_and_what_is_not_done_is_counted_at_the_end():
    where = OscInput(port=free_port())
    left = replace(LEFT, trigger=Trigger(kind="osc", word="/foot/left"), port="", hold=None, double=None)
    with running(replace(RIG, switches=(left,), osc_in=where)) as foot:
        foot.until(lambda: foot.of(PortOpened))
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.connect(("127.0.0.1", where.port))
            for packet in (
                build_msg("/tapebridge/1/do/tap", "north").dgram,
                build_msg("/foot/left").dgram,
                b"no osc",
                build_msg("/tapebridge/1/do/tap", "east").dgram,
                build_msg("/tapebridge/1/do", "all quiet").dgram,
            ):
                sender.send(packet)
            foot.until(lambda: len(foot.used()) == 3)
        assert foot.used() == [
            ("osc", "press", "tap: north"),
            ("left", "press", "keep: north"),
            ("osc", "press", "all quiet"),
        ]
        foot.end()
        last = foot.of(OscCounted)[-1]
        assert (last.received, last.handled, last.refused, last.malformed) == (5, 3, 1, 1)
        assert "east" in last.why


def test_a_bundle_for_later_is_done_then():
    where = OscInput(port=free_port())
    with running(replace(RIG, osc_in=where)) as foot:
        foot.until(lambda: foot.of(PortOpened))
        tag, message = time.time() + 0.5, build_msg("/tapebridge/1/do/tap", "north").dgram
        packet = b"#bundle\0" + struct.pack(">Qi", int((tag + 2_208_988_800) * 2**32), len(message)) + message
        due = now() + 0.5
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(packet, ("127.0.0.1", where.port))
        foot.until(lambda: foot.used())
        assert now() >= due - 0.01
        assert foot.told[-1].at == pytest.approx(due, abs=0.01)
        foot.end()


def test_a_udp_port_that_is_taken_is_told_once_and_had_when_it_is_free():
    where = OscInput(port=free_port())
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as holder:
        holder.bind(("127.0.0.1", where.port))
        with running(replace(RIG, osc_in=where)) as foot:
            foot.until(lambda: foot.of(PortLost) and foot.alive >= 4)
            assert len(foot.of(PortLost)) == 1
            holder.close()
            foot.until(lambda: foot.of(PortOpened))
            foot.end()


def test_of_a_flood_everything_is_accounted_for_and_the_sender_gets_no_flood():
    """10,000 packets in about a second; what the system dropped is told where it can be (Linux)."""
    where = OscInput(port=free_port())
    with running(replace(RIG, osc_in=where)) as foot:
        foot.until(lambda: foot.of(PortOpened))
        packet = build_msg("/tapebridge/1/do/tap", "north").dgram
        began = time.monotonic()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for number in range(10_000):
                sender.sendto(packet, ("127.0.0.1", where.port))
                if number % 100 == 99:
                    foot.look()
                    time.sleep(max(0.0, began + number / 10_000 - time.monotonic()))
            time.sleep(1.0)  # until what the system keeps was read
            sender.sendto(packet, ("127.0.0.1", where.port))  # with this one the system tells what it dropped
            time.sleep(1.0)
        lasted_s = time.monotonic() - began
        foot.end()
        last = foot.of(OscCounted)[-1]
        assert last.received == last.handled + last.refused + last.malformed
        assert len(foot.used()) == last.handled <= 50 + 100 * lasted_s
        if sys.platform == "linux":
            assert last.received + last.lost == 10_001


def test_when_the_sender_is_gone_the_foot_ends():
    foot = Foot(RIG)
    try:
        foot.until(lambda: foot.alive)
        foot.child.link.close()
        give_up = time.monotonic() + 5
        while not foot.child.gone:
            assert time.monotonic() < give_up
            time.sleep(0.02)
        assert not foot.child.failed
    finally:
        foot.child.kill()
        foot.child.wait(5)


class FullQueue:
    """MIDI inputs whose queue was full after a note had come."""

    def __init__(self) -> None:
        self.dropped = 0

    def tend(self) -> list[Fact]:
        return []

    def next_due(self) -> float:
        return inf

    def take(self) -> list[FootMessage]:
        self.dropped += 3
        return [FootMessage(at=now(), port=LEFT.port, data=b"\x90\x3c\x40")]


def test_midi_that_found_the_queue_full_is_told_and_no_switch_stays_closed():
    """The end of the note may have been among what was dropped: without it the switch would be held for ever."""
    ours, theirs = Link.pair()
    try:
        rig = replace(RIG, switches=(LEFT,))
        foot = _Foot(theirs, rig, Switches(rig.switches), FullQueue(), None)
        foot._look()
        foot._tell_dropped()
        foot._tell_dropped()
        time.sleep(LEFT.hold_s)
        foot._use(foot._presses.due(now()))
        [told] = ours.receive()
        assert isinstance(told, ActionRefused)
        assert told.why.startswith("3 MIDI messages came faster than they could be read, and were left out: ")
    finally:
        for end in (ours, theirs):
            end.close()


KEYS = """
import sys, time
from tests.edge.test_foot import RIG, LEFT, Foot, replace, Trigger
if __name__ == "__main__":
    space = replace(LEFT, trigger=Trigger(kind="key", word="space"), port="", hold=None)
    foot = Foot(replace(RIG, switches=(space,)))
    foot.until(lambda: foot.alive)
    time.sleep(0.3)
    print("ready", flush=True)
    foot.until(lambda: len(foot.used()) == 2)
    print(*[how for _, how, _ in foot.used()], flush=True)
    foot.end()
    print("ended", flush=True)
"""


def test_keys_of_the_terminal_are_switches_and_the_terminal_is_as_it_was(tmp_path):
    pty = pytest.importorskip("pty", reason="there are no pseudo-terminals here")
    termios = pytest.importorskip("termios")
    script = tmp_path / "keys.py"
    script.write_text(KEYS, encoding="utf-8")
    pid, ours = pty.fork()
    if pid == 0:
        os.environ["PYTHONPATH"] = str(Path.cwd())
        os.execv(sys.executable, [sys.executable, str(script)])
    try:
        before = termios.tcgetattr(ours)
        _read_until(ours, b"ready")
        assert not termios.tcgetattr(ours)[3] & (termios.ICANON | termios.ECHO)
        os.write(ours, b" ")
        time.sleep(0.6)
        os.write(ours, b" ")
        time.sleep(0.15)
        os.write(ours, b" ")
        _read_until(ours, b"press double")
        _read_until(ours, b"ended")
        assert termios.tcgetattr(ours)[3] == before[3]
    finally:
        os.close(ours)
        os.waitpid(pid, 0)


def _read_until(file: int, word: bytes, longest_s: float = 20.0) -> None:
    found, give_up = b"", time.monotonic() + longest_s
    while word not in found:
        assert time.monotonic() < give_up, found
        if select.select([file], [], [], 0.1)[0]:
            found += os.read(file, 4096)
