"""Pedals and ports for the benchmarks, on a JACK server: inputs that stamp what comes, outputs that stamp what goes.

``python -m tests.bench.boxes OUT BOX...`` makes a MIDI input for each BOX and reads words from its standard input:
``pull BOX``, ``plug BOX``, ``end``. At the end OUT holds JSON: for each box the host time in seconds and the bytes in
hex of every message. RtMidi stamps messages when JACK's turn begins, so that polling does not blur them.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import rtmidi

from bridge.edge.host_clock import now
from bridge.edge.outputs import Outputs
from bridge.edge.port_set import OutPort

POLL_S = 0.002


class Box:
    """One pedal; it is plugged in when made."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.stamps: list[tuple[float, str]] = []
        self._input: rtmidi.MidiIn | None = None
        self.plug()

    def plug(self) -> None:
        """Make its input."""
        self._input = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, self.name, 4096)
        self._input.ignore_types(timing=False)
        self._input.open_virtual_port("in")
        self._at: float | None = None

    def pull(self) -> None:
        """Make its input vanish."""
        if self._input is not None:
            self._input.delete()
            self._input = None

    def read(self) -> None:
        """Take in what came."""
        while self._input is not None and (event := self._input.get_message()) is not None:
            data, since = event
            self._at = now() if self._at is None else self._at + since
            self.stamps.append((self._at, bytes(data).hex()))


def main(out: Path, names: list[str]) -> None:
    """Serve until the word is ``end``."""
    boxes = {name: Box(name) for name in names}
    print("ready", flush=True)
    while True:
        for box in boxes.values():
            box.read()
        if select.select([sys.stdin], [], [], POLL_S)[0]:
            word, _, name = sys.stdin.readline().strip().partition(" ")
            if word not in ("pull", "plug"):
                break
            getattr(boxes[name], word)()
            print(word, flush=True)
    out.write_text(json.dumps({box.name: box.stamps for box in boxes.values()}), encoding="ascii")
    sys.stdout.flush()
    os._exit(0)  # libjack's threads are left to themselves


class Boxes:
    """The boxes' process, from outside."""

    def __init__(self, process: subprocess.Popen[str], out: Path) -> None:
        self._process = process
        self._out = out

    def do(self, word: str) -> None:
        """Have a box pulled or plugged in, and return when that is done."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{word}\n")
        self._process.stdin.flush()
        self._process.stdout.readline()

    def end(self) -> dict[str, list[tuple[float, bytes]]]:
        """End them; return what each got."""
        self.do("end")
        self._process.wait(10)
        seen = json.loads(self._out.read_text(encoding="ascii"))
        return {name: [(at, bytes.fromhex(data)) for at, data in stamps] for name, stamps in seen.items()}


class Stamped(Outputs):
    """The machine's own ports, which write down what goes out, and when, in ``NAME.log``.

    Args:
        folder: Where that file is.
        virtual: Names of the ports to make.
    """

    def __init__(self, folder: str, virtual: Sequence[str] = ()) -> None:
        super().__init__("jack", virtual)
        self._folder = folder

    def open(self, name: str) -> OutPort:
        """Open one."""
        port = super().open(name)
        log = (Path(self._folder) / f"{name}.log").open("a", encoding="ascii", buffering=1)
        send = port.send

        def stamped(data: bytes) -> None:
            at = now()
            send(data)
            log.write(f"{at!r} {data.hex()}\n")

        port.send = stamped
        return port


def sent_at(folder: Path, name: str) -> list[tuple[float, bytes]]:
    """Return what went out at a port that was stamped, and when."""
    lines = (line.split() for line in (folder / f"{name}.log").read_text(encoding="ascii").splitlines())
    return [(float(at), bytes.fromhex(data)) for at, data in lines]


@contextlib.contextmanager
def boxes(out: Path, *names: str) -> Iterator[Boxes]:
    """Boxes on the JACK server of the environment."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.boxes", str(out), *names],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield Boxes(process, out)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
