"""A deck and a delay pedal on a JACK server, for the line-up: what a mixer would give into two inputs.

``python -m tests.deck_peer`` connects to the JACK server of the environment. It plays bursts of noise, as a drum's,
into PortAudio's first input, and their echo into the second, as late as the MIDI clock at its port tells: a quarter
note. When its standard input ends it prints, as JSON, the echo's time in frames and the clock ticks that came, and
ends. Its frames are those of the sound, whatever the host's time makes of them.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from contextlib import suppress
from typing import NoReturn

import jack
import numpy as np

TICKS = 24
"""In a quarter note, which is the echo's time. Source: MIDI 1.0 Detailed Specification, Timing Clock."""

READS = 32
"""After so many ticks the delay has its time, and keeps it."""

LOUD, ECHO = 0.2, 0.5
"""Peak of the deck, and what of it comes back."""


class Mixer:
    """The JACK client."""

    def __init__(self) -> None:
        self.client = jack.Client("mixer", no_start_server=True)
        self.outs = [self.client.outports.register(name) for name in ("deck", "return")]
        self.clock = self.client.midi_inports.register("pedal")
        self.ticks: list[int] = []
        self.delay = 0
        rate = self.client.samplerate
        rng = np.random.default_rng(1)
        tape = rng.uniform(-1, 1, 2**20) * LOUD
        beats = np.cumsum(rng.uniform(0.28, 0.36, 60) * rate).astype(int)
        since = np.full(len(tape), rate)
        for beat in beats[beats < len(tape)]:
            since[beat:] = np.arange(len(tape) - beat)
        self._tape = (tape * np.exp(-since / (0.04 * rate))).astype(np.float32)
        self.client.set_process_callback(self._process)

    def _process(self, frames: int) -> None:
        began = self.client.last_frame_time
        for offset, data in self.clock.incoming_midi_events():
            if bytes(data) == b"\xf8":
                self.ticks.append(began + offset)
        if len(self.ticks) == READS and not self.delay:  # the middle interval: on a busy machine ticks come unevenly
            self.delay = round(TICKS * float(np.median(np.diff(self.ticks))))
        at = began + np.arange(frames)
        self.outs[0].get_array()[:] = self._tape[at % len(self._tape)]
        echo = ECHO * self._tape[(at - self.delay) % len(self._tape)] if self.delay else 0.0
        self.outs[1].get_array()[:] = echo

    def connect(self) -> None:
        """Plug into what is there."""
        inputs = self.client.get_ports("^PortAudio", is_audio=True, is_input=True)
        for port, own in zip(inputs, self.outs, strict=False):
            for source in self.client.get_all_connections(port):
                if source != own:
                    self.client.disconnect(source, port)
            if own not in self.client.get_all_connections(port):
                self.client.connect(own, port)


def main() -> NoReturn:
    """Play until standard input ends."""
    mixer = Mixer()
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
    mixer.client.activate()
    print("ready", flush=True)  # noqa: T201 - the test waits for it
    while not ended.wait(0.02):
        with suppress(jack.JackError):  # a port that is being made or unmade: look again
            mixer.connect()
    print(json.dumps({"delay": mixer.delay, "ticks": len(mixer.ticks)}), flush=True)  # noqa: T201
    os._exit(0)  # see tests.conftest.running_jack_server


if __name__ == "__main__":
    main()
