"""The MIDI inputs of switches, on a private JACK server."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import rtmidi

from bridge.edge import foot_midi
from bridge.edge.foot_midi import FootMidi
from bridge.edge.host_clock import now
from bridge.edge.midi import end_client
from bridge.events import PortLost, PortOpened
from bridge.testing.clock import FakeClock
from tests.conftest import running_jack_server

UNPLUGGED = '"foot board:out" was unplugged, or its connection was lost'


@pytest.fixture
def board(jack_server):
    """A foot controller's MIDI output."""
    board = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "foot board")
    board.open_virtual_port("out")
    yield board
    if not board.is_deleted:
        end_client(board)


def until(holds, longest_s: float = 5.0) -> None:
    give_up = time.monotonic() + longest_s
    while not holds():
        assert time.monotonic() < give_up, "it did not come to that"
        time.sleep(0.01)


def heard(midi: FootMidi, board: rtmidi.MidiOut, data: list[int]) -> list[foot_midi.FootMessage]:
    """Send again and again until something comes: JACK carries nothing before a connection's next turns."""
    came = []
    give_up = time.monotonic() + 5
    while not came and time.monotonic() < give_up:
        board.send_message(data)
        time.sleep(0.03)
        came = midi.take()
    return came


@pytest.mark.jack
def test_messages_come_whole_with_their_time_and_clock_does_not(board):
    midi = FootMidi(["FOOT BOARD"], "jack", now)
    try:
        [fact] = midi.tend()
        assert (type(fact), fact.port, fact.found) == (PortOpened, "FOOT BOARD", "foot board:out")
        heard(midi, board, [0x90, 60, 1])
        time.sleep(0.1)
        midi.take()
        began = now()
        for data in ([0xF8], [0x90, 60, 100], [0xFE], [0xC0, 3], [0xF0, 0x7D, 1, 0xF7]):
            board.send_message(data)
        came: list[foot_midi.FootMessage] = []
        until(lambda: came.extend(midi.take()) or len(came) == 3)
        assert [message.data.hex() for message in came] == ["903c64", "c003", "f07d01f7"]
        assert {message.port for message in came} == {"FOOT BOARD"}
        assert all(began - foot_midi.RETRY_S < message.at <= now() for message in came)
        assert midi.dropped == 0
    finally:
        midi.close()


@pytest.mark.jack
def test_an_absent_input_is_told_once_and_taken_in_when_it_comes_and_when_it_comes_back(jack_server):
    clock = FakeClock(now())
    midi = FootMidi(["foot board"], "jack", clock)
    board = None
    try:
        [lost] = midi.tend()
        assert isinstance(lost, PortLost)
        assert lost.why.startswith('"foot board" matches no MIDI input. Present now:')
        clock.advance(0.5)
        assert midi.tend() == []
        clock.advance(0.6)
        assert midi.tend() == []
        for _ in range(2):
            board = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "foot board")
            board.open_virtual_port("out")
            clock.advance(1.1)
            assert [type(fact) for fact in midi.tend()] == [PortOpened]
            assert heard(midi, board, [0x90, 60, 100])
            end_client(board)
            time.sleep(0.1)
            clock.advance(1.1)
            [lost] = midi.tend()
            assert (type(lost), lost.why) == (PortLost, UNPLUGGED)
    finally:
        midi.close()
        if board is not None and not board.is_deleted:
            end_client(board)


@pytest.mark.jack
def test_a_board_that_went_and_came_back_between_two_looks_is_heard_again(board):
    """Its name was never missing when it was looked for, but the connection died with the old one."""
    clock = FakeClock(now())
    midi = FootMidi(["foot board"], "jack", clock)
    again = None
    try:
        midi.tend()
        assert heard(midi, board, [0x90, 60, 100])
        clock.advance(1.1)
        assert midi.tend() == []
        end_client(board)
        again = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "foot board")
        again.open_virtual_port("out")
        clock.advance(1.1)
        lost, opened = midi.tend()
        assert (type(lost), lost.why, type(opened)) == (PortLost, UNPLUGGED, PortOpened)
        assert heard(midi, again, [0x90, 60, 100])
    finally:
        midi.close()
        if again is not None:
            end_client(again)


@pytest.mark.jack
def test_when_the_queue_is_full_further_messages_are_dropped_and_counted(board, monkeypatch):
    monkeypatch.setattr(foot_midi, "WAITING_MAX", 5)
    midi = FootMidi(["foot board"], "jack", now)
    try:
        midi.tend()
        heard(midi, board, [0x90, 60, 1])
        time.sleep(0.1)
        midi.take()
        for number in range(9):
            board.send_message([0x90, number, 100])
        until(lambda: midi.wait([], [], 0.0) or midi.dropped == 4)
        assert [message.data[1] for message in midi.take()] == [0, 1, 2, 3, 4]
    finally:
        midi.close()


BOARD = """
import rtmidi, time
board = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "foot board")
board.open_virtual_port("out")
print("ready", flush=True)
while True:
    board.send_message([0x90, 60, 100])
    time.sleep(0.03)
"""


def board_process() -> subprocess.Popen[bytes]:
    board = subprocess.Popen([sys.executable, "-c", BOARD], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert board.stdout.readline() == b"ready\n"
    return board


def lose_the_server(folder: str) -> None:
    """Kill the JACK server under an input, start it again; print as JSON what was told. Ends the process."""
    os.environ |= {"JACK_DEFAULT_SERVER": f"bridge-foot-{os.getpid()}", "JACK_NO_START_SERVER": "1"}
    name, log = os.environ["JACK_DEFAULT_SERVER"], Path(folder) / "jackd.log"
    clock = FakeClock(now())
    midi = FootMidi(["foot board"], "jack", clock)
    facts, heard = [], []

    def look() -> list[foot_midi.FootMessage]:
        clock.advance(1.1)
        facts.extend(midi.tend())
        return midi.take()

    with running_jack_server(name, log) as server, board_process() as board:
        until(look)
        os.kill(server.pid, signal.SIGKILL)
        until(lambda: look() is not None and len(facts) == 2)
        board.kill()
    with running_jack_server(name, log), board_process() as board:
        until(lambda: heard.extend(look()) or heard)
        board.kill()
        midi.close()
    told = [[type(fact).__name__, getattr(fact, "why", "")] for fact in facts]
    sys.stdout.write(json.dumps(told))
    sys.stdout.flush()
    os._exit(0)


@pytest.mark.jack
def test_when_the_jack_server_ends_its_input_is_lost_and_comes_back_with_the_next(tmp_path):
    code = f"from tests.edge.test_foot_midi import lose_the_server; lose_the_server({str(tmp_path)!r})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == [["PortOpened", ""], ["PortLost", "the JACK server ended"], ["PortOpened", ""]]
    assert done.stderr == ""


def test_a_system_that_does_not_work_is_an_absent_input(monkeypatch, capfd):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody-serves-here")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    if rtmidi.API_UNIX_JACK not in rtmidi.get_compiled_api():
        pytest.skip("this python-rtmidi has no JACK")
    midi = FootMidi(["Foot"], "jack", now)
    [lost] = midi.tend()
    assert isinstance(lost, PortLost)
    assert lost.why.startswith("No MIDI input can be opened here")
    assert midi.take() == []
    midi.close()
    assert "server" not in capfd.readouterr().err


def test_without_switches_there_is_nothing_to_look_for():
    midi = FootMidi([], None, now)
    assert midi.tend() == []
    assert midi.next_due() == float("inf")
    midi.close()
