"""A listener for tests that hears nothing, and conducts: it tells pedals a tempo that drifts, with its beats.

``python -m tests.toy_conductor RIG FOLDER SECONDS [toy]`` plays a rig so, with the real sender, in this process. With
``toy`` the MIDI outputs are those of `tests.toy_ports`, in the same folder.
"""

from __future__ import annotations

import os
import select
import sys
from functools import partial
from pathlib import Path

from bridge.edge.host_clock import now
from bridge.edge.link import EndAsked, Link
from bridge.edge.outputs import OSC, UdpPort
from bridge.edge.port_set import OutPort
from bridge.events import Fact, PedalTold
from bridge.journal.codec import fact_line
from tests.toy_ports import ToySystem

TEMPO, FASTEST, FASTER = 96.0, 104.0, 0.6
"""The tempo in bpm at first and at last, and how much it grows in a second."""

EVERY_S = 0.25


def conduct(link: Link, start: int, folder: str, pedals: tuple[str, ...]) -> None:
    """Tell all pedals the tempo four times a second, and write down what is said and heard, until asked to end.

    It begins when there is a file "go" in the folder. All listeners of a set share one line of beats, which begins
    with the first of them.
    """
    (Path(folder) / f"listener-{start}.pid").write_text(str(os.getpid()), encoding="ascii")
    began = Path(folder) / "began"
    line = Line(float(began.read_text(encoding="ascii"))) if began.exists() else None
    with (Path(folder) / "journal.jsonl").open("ab", buffering=0) as journal:
        while not link.closed:
            if line is None and (Path(folder) / "go").exists():
                line = Line(now())
                began.write_text(repr(line.at), encoding="ascii")
            while line is not None and line.at <= now():
                for pedal in pedals:
                    order = line.order(pedal)
                    if line.at > now() - EVERY_S:
                        link.send(order)
                        journal.write(fact_line(order))
                line.go_on()
            select.select([link], [], [], 0.02)
            for message in link.receive():
                if isinstance(message, EndAsked):
                    link.vouch()
                    return
                if isinstance(message, Fact) and not isinstance(message, PedalTold):
                    journal.write(fact_line(message))
            link.keep_alive(now())


class Line:
    """Beats at a tempo that grows, told in straight pieces.

    Args:
        began: Host time at which it begins, in seconds.
    """

    def __init__(self, began: float) -> None:
        self.at, self._beats, self._tempo = began, 0.0, TEMPO

    def order(self, pedal: str) -> PedalTold:
        """Return the newest piece as an order for a pedal."""
        return PedalTold(
            at=self.at, pedal=pedal, deck="north", tempo=self._tempo, ratio=1.0, why="drift", beats=self._beats
        )

    def go_on(self) -> None:
        """Go on to the next piece."""
        self.at, self._beats = self.at + EVERY_S, self._beats + EVERY_S * self._tempo / 60
        self._tempo = min(FASTEST, self._tempo + FASTER * EVERY_S)


class ToyOutputs(ToySystem):
    """The toy's MIDI ports, and real OSC."""

    def open(self, name: str) -> OutPort:
        return UdpPort(name) if name.startswith(OSC) else super().open(name)


def main(rig_file: str, folder: str, seconds: str, outputs: str = "") -> None:
    """Play a rig."""
    from bridge import sender
    from bridge.edge.child import Listen
    from bridge.rig_text import parse_rig
    from bridge.send.plan import SendPlan

    rig = parse_rig(Path(rig_file).read_text(encoding="utf-8"), rig_file)
    names = tuple(pedal.name for pedal in rig.pedals)
    listen = Listen("tests.toy_conductor:conduct", (folder, names))
    system = partial(ToyOutputs, Path(folder)) if outputs == "toy" else None
    sender.run(SendPlan.of(rig), listen, for_s=float(seconds), system=system)


if __name__ == "__main__":
    main(*sys.argv[1:])
