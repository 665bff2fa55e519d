"""The clock beside a flood of OSC: lateness of its ticks with and without it, in one run of the command, under load.

``python -m tests.bench.flood [--seconds N] [--rate N]`` prints JSON: the load and the figures of `tests.bench.clock`,
first with a foot that listens for OSC and hears none, then with one that gets 10,000 packets a second from a process of
its own: taps, patterns, bundles, names that nobody has, and what is no OSC, by turns. What became of them is told, too:
all that was sent was handled, refused, malformed, or dropped by the system before it could be read, where that tells.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import multiprocessing
import os
import socket
import sys
import threading
import time
from collections.abc import Iterator
from typing import Any

from pythonosc.osc_message_builder import build_msg

from bridge.edge.child import Child, Listen
from bridge.edge.host_clock import now
from bridge.edge.link import EndAsked
from bridge.events import PortOpened
from bridge.events_foot import OscCounted, SwitchUsed
from bridge.rig import Deck, Rig, SoundInput
from bridge.rig_foot import OscInput
from tests.bench.clock import RATIOS, run_once, stolen_s

WANTED = 1.2
"""The p99 beside the flood as a part of the one without, at most."""

AT_ONCE = 20
"""Packets that are sent in a row, between two sleeps."""

TAP = build_msg("/tapebridge/1/do/tap", "north").dgram
PACKETS = (
    TAP,
    build_msg("/tapebridge/1/do/{keep,let-go}", "north").dgram,
    b"#bundle\0" + (1).to_bytes(8, "big") + len(TAP).to_bytes(4, "big") + TAP,
    build_msg("/tapebridge/1/do/tap", "east").dgram,
    b"no osc at all",
)
"""What is sent by turns; each is one message to count."""


def flood(port: int, rate: float, ended: Any, sent: Any) -> None:
    """Send so many packets a second until ``ended`` is set, and say in ``sent`` how many."""
    parent, began, number = os.getppid(), time.perf_counter(), 0
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        while not ended.is_set() and os.getppid() == parent:
            for _ in range(AT_ONCE):
                sender.sendto(PACKETS[number % len(PACKETS)], ("127.0.0.1", port))
                number += 1
            time.sleep(max(0.0, began + number / rate - time.perf_counter()))
        time.sleep(0.5)  # with the last one the system tells what it dropped
        sender.sendto(PACKETS[number % len(PACKETS)], ("127.0.0.1", port))
    sent.value = number + 1


class Foot:
    """A foot that listens for OSC, and what it told; its sender is a thread of this process."""

    def __init__(self, port: int) -> None:
        decks = (Deck(name="north", channels=(1,)),)
        rig = Rig(path="flood.toml", sound=SoundInput(), decks=decks, osc_in=OscInput(port=port))
        self._child = Child(Listen("bridge.edge.foot:foot", (rig,)), 1, now())
        self._ended = threading.Event()
        self.opened = threading.Event()
        self.used = 0
        self.counted: OscCounted | None = None
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def end(self) -> None:
        self._ended.set()
        self._thread.join()
        self._child.wait(5)
        self._child.kill()

    def _read(self) -> None:
        asked = False
        while not self._child.link.closed:
            if self._ended.is_set() and not asked:
                self._child.link.send(EndAsked("the run is over"))
                asked = True
            for message in self._child.link.receive():
                self.used += isinstance(message, SwitchUsed)
                if isinstance(message, OscCounted):
                    self.counted = message
                if isinstance(message, PortOpened):
                    self.opened.set()
            time.sleep(0.005)


@contextlib.contextmanager
def beside(rate: float, found: dict[str, Any]) -> Iterator[None]:
    """Let a foot run, and so many packets a second come to it; leave in ``found`` what became of them."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    foot = Foot(port)
    context = multiprocessing.get_context("spawn")
    ended, sent = context.Event(), context.Value("q", 0)
    flooder = context.Process(target=flood, args=(port, rate, ended, sent), daemon=True) if rate else None
    try:
        if not foot.opened.wait(20):
            raise RuntimeError("the foot did not come up")
        began = time.perf_counter()
        if flooder is not None:
            flooder.start()
        yield
        lasted_s = time.perf_counter() - began
    finally:
        ended.set()
        if flooder is not None:
            flooder.join()
        time.sleep(0.5)
        foot.end()
    if flooder is not None:
        found |= _account(foot, sent.value, lasted_s)


def _account(foot: Foot, sent: int, lasted_s: float) -> dict[str, Any]:
    counted = foot.counted
    if counted is None:
        raise RuntimeError("the foot told no counts")
    became = counted.handled + counted.refused + counted.malformed + counted.lost
    return {
        "sent": sent,
        "sent_per_s": round(sent / lasted_s),
        "handled": counted.handled,
        "refused": counted.refused,
        "malformed": counted.malformed,
        "dropped_by_the_system": counted.lost if sys.platform == "linux" else None,
        "told_to_the_sender": foot.used,
        "unaccounted": sent - became,
    }


def measure(seconds: float, tempo: float, rate: float) -> dict[str, Any]:
    """Return the figures of a run without the flood, and of one beside it."""
    stolen, packets = stolen_s(), dict[str, Any]()
    with beside(0.0, packets):
        calm = run_once(tuple(RATIOS), seconds, tempo)
    with beside(rate, packets):
        flooded = run_once(tuple(RATIOS), seconds, tempo)
    part = {
        key: round(flooded[key]["p99_ms"] / calm[key]["p99_ms"], 3)
        for key in ("worst_port", "worst_port_while_the_machine_ran")
    }
    kept = None if stolen is None else round((stolen_s() or 0.0) - stolen, 3)
    return {
        "seconds": seconds,
        "tempo": tempo,
        "cores": os.cpu_count(),
        "p99_part_beside_the_flood": part,
        "packets": packets,
        "calm": {key: calm[key] for key in ("worst_port", "worst_port_while_the_machine_ran", "sender", "plain")},
        "flooded": {key: flooded[key] for key in ("worst_port", "worst_port_while_the_machine_ran", "sender", "plain")},
        "stolen_s": kept,
        "met": {
            f"p99 beside the flood at most {WANTED} of the one without": part["worst_port"] <= WANTED,
            "every packet accounted for": packets["unaccounted"] == 0,
        },
    }


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seconds", type=float, default=120.0, help="length of each run (default: 120)")
    options.add_argument("--tempo", type=float, default=120.0, help="tempo of the first clock in bpm (default: 120)")
    options.add_argument("--rate", type=float, default=10_000.0, help="packets a second (default: 10000)")
    chosen = options.parse_args()
    print(json.dumps(measure(chosen.seconds, chosen.tempo, chosen.rate), indent=2))
