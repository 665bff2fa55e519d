"""What is plugged into the bridge in the live tests: a deck that plays into its input, a pedal that stamps its MIDI.

``python -m tests.jack_peer TAPE SECONDS OUT`` connects to the JACK server of the environment, waits until the bridge
has its audio input, plays the sound file TAPE into it, and writes to OUT, as JSON, what came from every MIDI output of
others, frame and bytes in hex, and the frames at which the server itself had stood still. It runs in a process of its
own, so that nothing but JACK sits between the bridge and the stamps.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
import time
from pathlib import Path
from typing import NoReturn

import jack
import numpy as np
import soundfile

WAIT_S = 20.0

NO_INPUT = 3
"""Exit status: the bridge opened no audio input in that time."""

STALL_S = 0.012
"""A period lasts 5.3 ms here; between two that lie further apart, the server or this process had no processor."""


def play_and_stamp(tape: Path, seconds: float, out: Path) -> NoReturn:
    """Play and stamp for so many seconds from when the bridge's audio input is there, then end this process."""
    sound, _ = soundfile.read(tape, dtype="float32", always_2d=True)
    client = jack.Client("peer", no_start_server=True)
    rate = client.samplerate
    deck = [client.outports.register(f"deck_{n}") for n in range(sound.shape[1])]
    pedal = client.midi_inports.register("pedal")
    stamps: list[tuple[int, str]] = []
    stalls: list[int] = []
    plugged_in = threading.Event()
    at = {"origin": None, "cycle": time.perf_counter()}

    @client.set_process_callback
    def process(frames: int) -> None:
        began, cycle = client.last_frame_time, time.perf_counter()
        if cycle - at["cycle"] > STALL_S:
            stalls.append(began)
        at["cycle"] = cycle
        for offset, data in pedal.incoming_midi_events():
            stamps.append((began + offset, bytes(data).hex()))
        if plugged_in.is_set() and at["origin"] is None:
            at["origin"] = began
        start = len(sound) if at["origin"] is None else began - at["origin"]
        for n, port in enumerate(deck):
            block = sound[start : start + frames, n]
            port.get_array()[:] = np.pad(block, (0, frames - len(block)))

    with client:
        end = None
        give_up = time.monotonic() + WAIT_S
        while end is None or time.monotonic() < end:
            connected = _connect(client, deck, pedal)
            if end is None and connected:
                plugged_in.set()
                end = time.monotonic() + seconds
            if end is None and time.monotonic() > give_up:
                os._exit(NO_INPUT)
            time.sleep(0.05)
        # not at the end of `with`: libjack may cancel the callback's thread while that holds Python's lock
        out.write_text(json.dumps({"rate": rate, "stamps": stamps, "stalls": stalls}))
        os._exit(0)


def _connect(client: jack.Client, deck: list[jack.OwnPort], pedal: jack.OwnMidiPort) -> bool:
    """Plug in what is there and not yet plugged in; a listener that starts again has new ports."""
    inputs = [p for p in client.get_ports(is_audio=True, is_input=True) if not p.name.startswith(("system:", "peer:"))]
    for port, own in zip(inputs, deck, strict=False):
        with contextlib.suppress(jack.JackErrorCode):  # PortAudio may be at it: again in a moment
            for source in client.get_all_connections(port):
                if source != own:
                    client.disconnect(source, port)
            if own not in client.get_all_connections(port):
                client.connect(own, port)
    for port in client.get_ports(is_midi=True, is_output=True):
        if not port.name.startswith(("system:", "peer:")) and pedal not in client.get_all_connections(port):
            client.connect(port, pedal)
    return bool(inputs)


if __name__ == "__main__":
    play_and_stamp(Path(sys.argv[1]), float(sys.argv[2]), Path(sys.argv[3]))
