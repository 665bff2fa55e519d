"""One set a port, whichever process, user or control socket it has."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from bridge.edge.port_lock import PortLock, refuse_taken
from bridge.errors import DeviceError

OUTPUT = "2 default\0Pedals MIDI 1 20:0"

SET = os.getppid()
"""A process that runs, and is not this one."""

HOLD = """
import sys
from bridge.edge.port_lock import PortLock
lock = PortLock({output!r}, {holder}, "Pedals A")
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for temporary files of our own."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    return tmp_path


@pytest.fixture
def other():
    """A process that holds the port for a set, whose process id is `SET`."""
    code = HOLD.format(output=OUTPUT, holder=SET)
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=os.environ
    )
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.communicate()


def test_a_port_that_another_set_has_is_refused_with_its_process_id(other):
    said = rf'Another set \(process {SET}\) has the MIDI output "Pedals MIDI 1 20:0"\. End that first'
    with pytest.raises(DeviceError, match=said):
        PortLock(OUTPUT, os.getpid(), "Pedals A")
    with pytest.raises(DeviceError, match=said):
        refuse_taken(OUTPUT)
    PortLock("2 default\0Pedals MIDI 1 24:0", os.getpid(), "Pedals B").close()


@pytest.mark.skipif(os.name != "posix", reason="elsewhere nothing tells whether a process is there")
def test_a_port_process_that_outlives_its_set_keeps_no_other_set_from_the_port():
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    lock = PortLock(OUTPUT, ended.pid, "Pedals A")
    refuse_taken(OUTPUT)
    PortLock(OUTPUT, os.getpid(), "Pedals A").close()
    lock.close()


def test_a_set_that_was_killed_holds_nothing(other):
    other.kill()
    other.wait()
    refuse_taken(OUTPUT)
    PortLock(OUTPUT, os.getpid(), "Pedals A").close()


def test_a_process_of_the_same_set_goes_on_without_the_lock_of_one_that_hangs(other):
    PortLock(OUTPUT, SET, "Pedals A").close()
    with pytest.raises(DeviceError, match=f"process {SET}"):
        refuse_taken(OUTPUT)


def test_two_names_for_one_output_are_refused_within_a_set(other):
    with pytest.raises(DeviceError, match='"Pedals" is the output of "Pedals A"'):
        PortLock(OUTPUT, SET, "Pedals")


def test_what_is_closed_is_free():
    lock = PortLock(OUTPUT, os.getpid(), "Pedals A")
    with pytest.raises(DeviceError, match=f"process {os.getpid()}"):
        refuse_taken(OUTPUT)
    lock.close()
    lock.close()
    refuse_taken(OUTPUT)


def test_a_folder_that_cannot_be_used_keeps_no_set_from_its_ports(folder):
    (folder / "tapebridge-ports").write_text("in the way")
    PortLock(OUTPUT, os.getpid(), "Pedals A").close()
    refuse_taken(OUTPUT)
