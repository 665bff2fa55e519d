"""What arrives on real inputs, shown as lines for the rig."""

from __future__ import annotations

import os
import queue
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pytest
import rtmidi
from click.testing import CliRunner
from pythonosc.osc_message_builder import build_msg

from bridge.cli import main
from bridge.edge import show_input
from bridge.edge.keys import Keys
from bridge.edge.midi import end_client
from bridge.rig_text import parse_rig
from tests.conftest import JackServer

pty = pytest.importorskip("pty", reason="there are no pseudo-terminals here")
termios = pytest.importorskip("termios", reason="there are no pseudo-terminals here")

IN_A_TERMINAL = """
import os, fcntl, termios, sys
os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0)
from bridge.cli import main
main()
"""

RIG = '[[decks]]\nname = "north"\nchannels = [1]\n[midi]\napi = "jack"\n'
SWITCH = '[[switches]]\nname = "left"\nport = "foot box"\ntrigger = "cc 64"\npress = "tap: north"\n'


class Showing:
    """``tapebridge check RIG --show-input`` in a terminal of its own."""

    def __init__(self, rig: Path, server: JackServer, *more: str) -> None:
        self.terminal, self._theirs = pty.openpty()
        self.before = termios.tcgetattr(self._theirs)
        self.program = subprocess.Popen(
            [sys.executable, "-c", IN_A_TERMINAL, "check", str(rig), "--show-input", *more],
            stdin=self._theirs,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=server.env | {"PYTHONUNBUFFERED": "1"},
            text=True,
        )
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def until(self, words: str) -> list[str]:
        """Return the lines up to one that has these words."""
        lines: list[str] = []
        while words not in "".join(lines[-1:]):
            lines.append(self._lines.get(timeout=20))
        return lines

    def state(self) -> object:
        return termios.tcgetattr(self._theirs)

    def close(self) -> None:
        self.program.kill()
        self.program.wait()
        self._reader.join()
        os.close(self.terminal)
        os.close(self._theirs)

    def _read(self) -> None:
        assert self.program.stdout is not None
        with self.program.stdout as lines:
            for line in lines:
                self._lines.put(line.rstrip("\n"))


@contextmanager
def showing(rig: Path, server: JackServer, *more: str) -> Iterator[Showing]:
    program = Showing(rig, server, *more)
    try:
        yield program
    finally:
        program.close()


@pytest.fixture
def foot(jack_server: JackServer) -> Iterator[rtmidi.MidiOut]:
    box = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "foot box")
    box.open_virtual_port("out")
    yield box
    end_client(box)


@pytest.mark.jack
def test_midi_keys_and_osc_are_shown_as_lines_that_the_rig_takes(
    foot: rtmidi.MidiOut, jack_server: JackServer, tmp_path: Path
) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    text = f"{RIG}[osc_in]\nport = {port}\n{SWITCH}"
    rig = tmp_path / "rig.toml"
    rig.write_text(text)
    with showing(rig, jack_server) as shown, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        shown.until('listening to the MIDI input "foot box:out"')
        foot.send_message(b"\xf8")
        foot.send_message(b"\xb0\x40\x7f")
        assert shown.until("cc 64") == ['# "foot box", channel 1, cc 64: 127: switch "left" of the rig']
        foot.send_message(b"\x92\x3c\x40")
        lines = shown.until("press =")
        other.sendto(build_msg("/foot/left", 1.0).dgram, ("127.0.0.1", port))
        lines += shown.until("press =")
        other.sendto(b"kettle", ("127.0.0.1", port))
        shown.until("are no OSC")
        os.write(shown.terminal, b" ")
        lines += shown.until("press =")
        os.write(shown.terminal, b"\x03")
        assert shown.program.wait(10) == 0
        assert shown.state() == shown.before
    _, note, osc, key = parse_rig("\n".join([text, *lines]), "rig.toml").switches
    assert (note.port, note.channel, note.trigger.kind, note.trigger.number) == ("foot box", 3, "note", 60)
    assert (osc.trigger.word, key.trigger.word) == ("/foot/left", "space")


@pytest.mark.jack
def test_a_rig_without_switches_shows_all_inputs_and_ends_after_its_time(
    foot: rtmidi.MidiOut, jack_server: JackServer, tmp_path: Path
) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG)
    with showing(rig, jack_server, "--for", "1") as shown:
        shown.until('listening to the MIDI input "foot box:out"')
        foot.send_message(b"\xc0\x05")
        assert 'trigger = "program 5"' in shown.until("press =")
        assert shown.program.wait(10) == 0
        assert shown.state() == shown.before


@pytest.mark.jack
def test_an_absent_input_is_told_and_taken_in_when_it_comes(jack_server: JackServer, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG + SWITCH)
    with showing(rig, jack_server) as shown:
        shown.until('not heard: "foot box" matches no MIDI input')
        box = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "foot box")
        box.open_virtual_port("out")
        shown.until('listening to the MIDI input "foot box:out"')
        end_client(box)
        shown.program.terminate()
        assert shown.program.wait(10) == 0
        assert shown.state() == shown.before


@pytest.fixture
def deaf(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A rig for a machine without a MIDI system, and outside a terminal."""
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody-serves-here")
    monkeypatch.setattr(show_input, "Keys", partial(Keys, path=str(tmp_path / "no terminal")))
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG)
    return rig


@pytest.mark.parametrize("switch", ["", SWITCH], ids=["no switch", "a switch"])
def test_where_nothing_at_all_can_be_heard_it_says_so_and_ends(deaf: Path, switch: str) -> None:
    deaf.write_text(RIG + switch)
    done = CliRunner().invoke(main, ["check", str(deaf), "--show-input", "--for", "30"])
    assert done.exit_code == 1
    assert f"{deaf}: there is nothing to listen to. No MIDI input can be opened here" in done.output
    assert "write an [osc_in] table into the rig" in done.output


def test_where_no_midi_input_is_plugged_in_it_says_so_and_ends(deaf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is plugged in later would not be listened to: the rig names none."""
    monkeypatch.setattr(show_input, "inputs", lambda api: [])
    done = CliRunner().invoke(main, ["check", str(deaf), "--show-input", "--for", "30"])
    assert done.exit_code == 1
    assert "there is nothing to listen to. No MIDI input is plugged in. Plug one in" in done.output


def test_without_midi_osc_is_listened_to_and_what_is_lacking_is_told(deaf: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    deaf.write_text(f"{RIG}[osc_in]\nport = {port}\n")
    done = CliRunner().invoke(main, ["check", str(deaf), "--show-input", "--for", "0.1"])
    assert done.exit_code == 0
    assert "No MIDI input can be opened here" in done.output
    assert f"Listening to OSC at 127.0.0.1 port {port}." in done.output


def test_a_port_that_is_taken_is_refused_with_what_to_do(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        rig = tmp_path / "rig.toml"
        rig.write_text(f"{RIG}[osc_in]\nport = {taken.getsockname()[1]}\n")
        done = CliRunner().invoke(main, ["check", str(rig), "--show-input", "--for", "1"])
    assert done.exit_code == 1
    assert "Free the port, or give another one in [osc_in]" in done.output


@pytest.mark.parametrize("words", [("--for", "1"), ("--show-input", "--for", "0"), ("--show-input", "--for", "nan")])
def test_times_that_are_none_are_refused(words: tuple[str, ...], tmp_path: Path) -> None:
    assert CliRunner().invoke(main, ["check", str(tmp_path / "rig.toml"), *words]).exit_code == 2
