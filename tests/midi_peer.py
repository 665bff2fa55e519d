"""Pedals at the ends of the bridge's MIDI cables, for tests: each output of others has a pedal of its own that stamps.

``python -m tests.midi_peer OUT`` connects to the JACK server of the environment and writes to the file OUT, a line of
JSON each, the name of the output, the host time and the bytes in hex of every message, as it comes; no bytes say that
it was plugged in. It ends with its standard input. It runs in a process of its own, so that nothing but JACK sits
between the bridge and the stamps.

Host time is `time.perf_counter` at the beginning of a period, and the frames in it.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections import deque
from pathlib import Path
from typing import NoReturn

import jack


def stamp(out: Path) -> NoReturn:
    """Stamp until standard input ends, then end this process."""
    client = jack.Client("pedals", no_start_server=True)
    rate = client.samplerate
    pedals: dict[str, jack.OwnMidiPort] = {}
    came: deque[tuple[str, float, str]] = deque()

    @client.set_process_callback
    def process(frames: int) -> None:
        now = time.perf_counter()
        for name, pedal in list(pedals.items()):
            for offset, data in pedal.incoming_midi_events():
                came.append((name, now + offset / rate, bytes(data).hex()))

    ending = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ending.set()), daemon=True).start()
    with client, out.open("w", encoding="utf-8") as lines:
        ended = False
        while not ended:
            ended = ending.is_set()
            for port in client.get_ports(is_midi=True, is_output=True):
                name = port.name.rpartition(":")[2]
                if not port.name.startswith(("system:", "pedals:")):
                    if name not in pedals:
                        pedals[name] = client.midi_inports.register(f"pedal {len(pedals)}")
                    if pedals[name] not in client.get_all_connections(port):
                        client.connect(port, pedals[name])
                        came.append((name, time.perf_counter(), ""))
            while came:
                print(json.dumps(came.popleft()), file=lines, flush=True)
            time.sleep(0.01)
        # not at the end of `with`: libjack may cancel the callback's thread while that holds Python's lock
        os._exit(0)


if __name__ == "__main__":
    stamp(Path(sys.argv[1]))
