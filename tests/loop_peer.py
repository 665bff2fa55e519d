"""What is plugged in between an output and an input in the tests: a cable, a delay, a pedal that answers notes.

``python -m tests.loop_peer DELAY`` connects to the JACK server of the environment. It plays what PortAudio's first
output plays into all of PortAudio's inputs, DELAY frames later; answers each Note On with a tone that begins DELAY
frames later; and passes real-time bytes on, DELAY frames later. When its standard input ends it prints, as JSON, frame
and host time of each MIDI message that came, of each that went, and of each tone's beginning, and ends. It runs in a
process of its own, so that nothing but JACK sits between the bridge and the stamps.

Host time is `time.perf_counter` at the beginning of the period, and the frames in it. A server that is kept from
running counts its frames on from where it stopped, so that only host time tells what a performer would hear.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from contextlib import suppress
from typing import NoReturn

import jack
import numpy as np

TONE_S, TONE_HZ, TONE_PEAK = 0.08, 440.0, 0.2


class Loop:
    """The JACK client."""

    def __init__(self, delay: int) -> None:
        self.delay = delay
        self.client = jack.Client("loop", no_start_server=True)
        self.audio_in = self.client.inports.register("in")
        self.audio_out = self.client.outports.register("out")
        self.midi_in = self.client.midi_inports.register("pedal")
        self.midi_out = self.client.midi_outports.register("thru")
        self.came: list[tuple[int, float, str]] = []
        self.went: list[tuple[int, float, str]] = []
        self.tones: list[tuple[int, float]] = []
        self._line = np.zeros(2**18, np.float32)
        self._tones: list[int] = []
        self._pass_on: list[tuple[int, bytes]] = []
        time_s = np.arange(round(TONE_S * self.client.samplerate)) / self.client.samplerate
        self._tone = (TONE_PEAK * np.cos(2 * np.pi * TONE_HZ * time_s) * np.exp(-time_s / 0.02)).astype(np.float32)
        self.client.set_process_callback(self._process)

    def _process(self, frames: int) -> None:
        began, now = self.client.last_frame_time, time.perf_counter()
        rate = self.client.samplerate
        at = (began + np.arange(frames)) % len(self._line)
        self._line[at] = self.audio_in.get_array()
        out = self._line[(at - self.delay) % len(self._line)]
        for offset, data in self.midi_in.incoming_midi_events():
            message = bytes(data)
            self.came.append((began + offset, now + offset / rate, message.hex()))
            if message[0] & 0xF0 == 0x90:
                self._tones.append(began + offset + self.delay)
            elif message[0] >= 0xF8:
                self._pass_on.append((began + offset + self.delay, message))
        for begin in self._tones:
            self._play(out, begin - began)
            if began <= begin < began + frames:
                self.tones.append((begin, now + (begin - began) / rate))
        self.audio_out.get_array()[:] = out
        self.midi_out.clear_buffer()
        while self._pass_on and self._pass_on[0][0] < began + frames:
            due, message = self._pass_on.pop(0)
            self.midi_out.write_midi_event(max(0, due - began), message)
            self.went.append((max(due, began), now + max(0, due - began) / rate, message.hex()))

    def _play(self, out: np.ndarray, offset: int) -> None:
        begin, end = max(0, offset), min(len(out), offset + len(self._tone))
        if begin < end:
            out[begin:end] += self._tone[begin - offset : end - offset]

    def connect(self) -> None:
        """Plug in what is there and not yet plugged in."""
        for port in self.client.get_ports("^PortAudio", is_audio=True, is_input=True):
            for source in self.client.get_all_connections(port):
                if source != self.audio_out:
                    self.client.disconnect(source, port)
            if self.audio_out not in self.client.get_all_connections(port):
                self.client.connect(self.audio_out, port)
        for port in self.client.get_ports("^PortAudio", is_audio=True, is_output=True)[:1]:
            if self.audio_in not in self.client.get_all_connections(port):
                self.client.connect(port, self.audio_in)


def main() -> NoReturn:
    """Loop until standard input ends."""
    loop = Loop(int(sys.argv[1]))
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
    loop.client.activate()
    print("ready", flush=True)  # noqa: T201 - the test waits for it
    while not ended.wait(0.02):
        with suppress(jack.JackError):  # a port that is being made or unmade: look again
            loop.connect()
    print(json.dumps({"came": loop.came, "went": loop.went, "tones": loop.tones}), flush=True)  # noqa: T201
    os._exit(0)  # see tests.conftest.running_jack_server


if __name__ == "__main__":
    main()
