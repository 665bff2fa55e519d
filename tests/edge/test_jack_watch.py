"""Promises of the watch over JACK: it sees connections, and the end of a server, without waiting."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import rtmidi

from bridge.edge.jack_watch import JackWatch
from bridge.edge.midi import end_client
from tests.conftest import running_jack_server


@pytest.mark.jack
def test_a_port_is_connected_while_both_are_there(jack_server):
    pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
    pedal.open_virtual_port("in")
    ours = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, "our client")
    ours.open_port(ours.get_ports().index("pedal box:in"), "long echo")
    watch = JackWatch()
    try:
        assert watch.serves
        assert watch.connects("our client", "long echo", "pedal box:in")
        assert not watch.connects("our client", "echo", "pedal box:in")
        assert not watch.connects("their client", "long echo", "pedal box:in")
        assert not watch.connects("our client", "long echo", "kettle:in")
        end_client(pedal)
        assert not watch.connects("our client", "long echo", "pedal box:in")
        pedal = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "pedal box")
        pedal.open_virtual_port("in")
        assert not watch.connects("our client", "long echo", "pedal box:in")
    finally:
        watch.close()
        watch.close()
        end_client(ours)
        end_client(pedal)


@pytest.mark.jack
def test_without_a_server_there_is_nothing_to_watch(monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody-serves-here")
    with pytest.raises(OSError, match="takes no client"):
        JackWatch()


def see_the_end(folder: str) -> None:
    """End a server that is watched, and print whether that was seen within a second. Ends the process."""
    name = os.environ["JACK_DEFAULT_SERVER"] = f"bridge-watched-{os.getpid()}"
    with running_jack_server(name, Path(folder) / "jackd.log") as server:
        watch = JackWatch()
        assert watch.serves
        os.kill(server.pid, signal.SIGTERM)
        give_up = time.monotonic() + 1.0
        while watch.serves and time.monotonic() < give_up:
            time.sleep(0.01)
    sys.stdout.write(str(watch.serves))
    sys.stdout.flush()
    watch.close()
    os._exit(0)


@pytest.mark.jack
def test_the_end_of_a_server_is_seen_and_not_heard_on_the_terminal(tmp_path):
    code = f"from tests.edge.test_jack_watch import see_the_end; see_the_end({str(tmp_path)!r})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=30)
    assert (done.stdout, done.stderr) == ("False", "")
