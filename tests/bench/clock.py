"""How late each clock tick is: our sender's beside those of a plain sleep loop, in the same run, under load.

``python -m tests.bench.clock [--seconds N] [--tempo BPM] [--blocked]`` prints JSON. Four pedals on four ports of their
own have clocks of their own. The load is the sender's own listener, with analysis of two decks, a journal, kept sound
and OSC, and another process that keeps one core busy. The plain loop is a thread of the listener's process, as a
program without a sender has it. Lateness is counted against the grid of the nominal interval from the first tick on: a
slow loop falls behind it. With --blocked the same runs again with a fifth port whose driver never returns from the
first byte on, and holds Python's lock as RtMidi does.
"""

# The sender's process imports this module too: nothing heavy stands at the top.
from __future__ import annotations

import argparse
import contextlib
import ctypes
import json
import multiprocessing
import os
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from bridge import sender
from bridge.edge.child import Listen
from bridge.edge.host_clock import now
from bridge.edge.link import Link
from bridge.rig import Osc, Rig
from bridge.send.plan import PortPlan, SendPlan
from bridge.testing.ports import ListPort
from bridge.units import tick_interval_s

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TAPE = "load.flac"

START_S = 5.0
"""The load's tape is so much longer than the run."""

RATIOS = {"Pedals A": 1.0, "Pedals B": 1.0, "Pedals C": 0.75, "Pedals D": 1.5}
"""The four ports and their tempi as parts of the run's; two of them tick at the same instants."""

BLOCKED = "Pedals E"

WANTED_PART = 0.01
"""Our p99 as a part of the plain loop's, at most."""

WANTED_P999_MS = 0.3
"""Our p99.9 in ms, at most."""

WANTED_PPM = 1.0
"""Our rate error in parts per million of the host clock, at most."""

WANTED_BLOCKED = 1.2
"""Our p99 beside a blocked port as a part of the undisturbed one, at most."""

WATCH_S, STILL_S, WATCH_PRIORITY = 0.0005, 0.0012, 50
"""How long the watch of a core sleeps, and what it takes for a standstill, in seconds; its real-time priority."""

DIN_BYTE_MS = 0.32
"""How long a DIN cable takes for a byte. Source: MIDI 1.0 Detailed Specification, 31.25 kbaud and 10 bits a byte."""


@dataclass(frozen=True)
class Stamping:
    """Opens ports that remember, in the process of each, and writes down in the end what came when.

    Attributes:
        folder: Where ``NAME.json`` is left.
    """

    folder: Path
    may_lose: ClassVar[bool] = False

    def open(self, name: str) -> ListPort:
        port = _Blocking(now) if name == BLOCKED else ListPort(now)
        OPENED[name] = port
        return port

    def close(self) -> None:
        for name, port in OPENED.items():
            (self.folder / f"{name}.json").write_text(json.dumps([at for at, _ in port.sent]), encoding="ascii")


OPENED: dict[str, ListPort] = {}


class _Blocking(ListPort):
    def send(self, data: bytes) -> None:
        ctypes.PyDLL(None).sleep(3600)  # with Python's lock in its hands


def make_load(folder: Path, seconds: float) -> Rig:
    """Write a tape of the built-in night, as long as the run, and return a rig whose listener hears it.

    Its pedals have names of their own, so that no order of the listener moves the clock that is measured.
    """
    import numpy as np
    import soundfile

    from bridge.testing.night import build_night

    night = build_night(1)
    frames = int((seconds + START_S) * night.rate)
    soundfile.write(folder / TAPE, np.resize(night.sound, (frames, night.sound.shape[1])), night.rate)
    pedals = tuple(replace(pedal, name=f"{pedal.name} of the load") for pedal in night.rig.pedals)
    return replace(night.rig, pedals=pedals, osc=Osc(port=9))


def listen(link: Link, start: int, folder: str, tempo: float, rig: Rig, began: float) -> None:
    """Run the listener, and a plain sleep loop beside it; leave the loop's tick times in ``plain.json``."""
    from bridge.listener import listen as real_listen

    ticks: list[float] = []
    ended = threading.Event()

    def plain() -> None:
        while not ended.is_set():
            ticks.append(now())
            time.sleep(tick_interval_s(tempo))

    loop = threading.Thread(target=plain)
    loop.start()
    try:
        with Path(os.devnull).open("w") as nowhere, contextlib.redirect_stdout(nowhere):
            real_listen(link, start, rig, Path(folder), "load", (Path(folder) / TAPE, began))
    finally:
        ended.set()
        loop.join()
        (Path(folder) / "plain.json").write_text(json.dumps(ticks), encoding="ascii")


def send(folder: str, names: tuple[str, ...], seconds: float, tempo: float, rig: Rig) -> None:
    """Run the sender as a set does, with ports that remember; leave its outcome in ``ours.json``."""
    ratios = RATIOS | {BLOCKED: 1.0}
    ports = tuple(PortPlan(name=name, pedals=(f"on {name}",), begin_tempo=tempo * ratios[name]) for name in names)
    listener = Listen("tests.bench.clock:listen", (folder, tempo, rig, now()))
    began = time.process_time()
    ended = sender.run(SendPlan(ports=ports), listener, for_s=seconds, system=partial(Stamping, Path(folder)))
    ours = {
        "orders_of_the_load": ended.orders_refused,
        "dropped": ended.ticks_dropped,
        "priority": ended.priority,
        "cpu_share_of_the_sender": round((time.process_time() - began) / seconds, 4),
    }
    (Path(folder) / "ours.json").write_text(json.dumps(ours), encoding="ascii")


@contextlib.contextmanager
def one_core_busy() -> Iterator[None]:
    """Keep one core busy by another process."""
    process = multiprocessing.get_context("spawn").Process(target=_burn, daemon=True)
    process.start()
    try:
        yield
    finally:
        process.kill()
        process.join()


@contextlib.contextmanager
def standstills(folder: Path) -> Iterator[None]:
    """Write down in ``still-CORE.log`` when a core ran nothing at all: its host gave it to somebody else.

    A process on each core, ahead of all others, sleeps half a millisecond at a time and sees when that took longer.
    Only on Linux; elsewhere nothing is written.
    """
    processes = []
    if hasattr(os, "sched_setaffinity"):
        for core in os.sched_getaffinity(0):
            process = multiprocessing.get_context("spawn").Process(
                target=_watch, args=(core, str(folder / f"still-{core}.log")), daemon=True
            )
            process.start()
            processes.append(process)
    try:
        yield
    finally:
        for process in processes:
            process.kill()
            process.join()


def _watch(core: int, path: str) -> None:
    os.sched_setaffinity(0, {core})
    with contextlib.suppress(PermissionError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(WATCH_PRIORITY))
    with Path(path).open("w", encoding="ascii", buffering=1) as log:
        before, parent = now(), os.getppid()
        while os.getppid() == parent:
            time.sleep(WATCH_S)
            at = now()
            if at - before > STILL_S:
                log.write(f"{before!r} {at!r}\n")
            before = now()


def stood_still(folder: Path) -> NDArray[np.float64]:
    """Return from when to when a core stood still; shape (stalls, 2)."""
    import numpy as np

    lines = [line for path in folder.glob("still-*.log") for line in path.read_text(encoding="ascii").splitlines()]
    return np.array([[float(word) for word in line.split()] for line in lines]).reshape(-1, 2)


def _burn() -> None:
    parent = os.getppid()
    while os.getppid() == parent:  # a run that is killed leaves nobody behind
        sum(range(10_000))


def figures(ticks: NDArray[np.float64], index: NDArray[np.int_], interval_s: float) -> dict[str, float]:
    """Return lateness in ms and rate error in ppm.

    The rate is the median slope between all pairs of ticks (H. Theil, 1950; P. K. Sen, 1968), which a few late ticks
    do not move.

    Args:
        ticks: When each tick was sent, in seconds.
        index: Which tick of the grid each is.
        interval_s: The nominal interval in seconds.
    """
    import numpy as np
    from scipy.stats import theilslopes

    late_ms = 1e3 * (ticks - interval_s * index)
    late_ms -= late_ms.min()  # the first tick may itself have been late; none is early
    between_ms = np.abs(np.diff(ticks) / np.diff(index) - interval_s) * 1e3
    every = max(1, len(ticks) // 3000)  # pairs grow with the square
    slope = theilslopes(ticks[::every], index[::every]).slope
    median, p99, p999 = np.percentile(late_ms, [50, 99, 99.9])
    return {
        "ticks": len(ticks),
        "median_ms": round(float(median), 4),
        "p99_ms": round(float(p99), 4),
        "p99.9_ms": round(float(p999), 4),
        "worst_ms": round(float(late_ms.max()), 4),
        "interval_error_p99_ms": round(float(np.percentile(between_ms, 99)), 4),
        "rate_error_ppm": round(1e6 * (float(slope) / interval_s - 1.0), 4),
    }


def stolen_s() -> float | None:
    """Return how long the machine has been kept from running by its host, in seconds; None where no one tells."""
    try:
        return int(Path("/proc/stat").read_text(encoding="ascii").split(maxsplit=9)[8]) / os.sysconf("SC_CLK_TCK")
    except OSError:
        return None


def tick_figures(
    sent: NDArray[np.float64], interval_s: float, still: NDArray[np.float64]
) -> dict[str, float | dict[str, float]]:
    """Return the figures of a clock whose grid stands still, but from which ticks may be missing.

    Args:
        sent: When each tick was sent, in seconds.
        interval_s: The nominal interval in seconds.
        still: From when to when a core stood still: the figures without ticks of those times are given, too.
    """
    import numpy as np

    turns = (sent - sent[0]) / interval_s
    phase = np.angle(np.exp(2j * np.pi * turns).mean()) / (2 * np.pi)
    index = np.rint(turns - phase).astype(int)
    due = sent - interval_s * (turns - phase - index)
    free = np.array(
        [not np.any((still[:, 0] < at + 1e-3) & (still[:, 1] > was - 1e-3)) for was, at in zip(due, sent, strict=True)]
    )
    found = figures(sent, index, interval_s)
    return found | {
        "p99_of_a_tick": round(found["p99_ms"] / (1e3 * interval_s), 5),
        "while_the_machine_ran": figures(sent[free], index[free], interval_s),
    }


def run_once(names: tuple[str, ...], seconds: float, tempo: float) -> dict[str, Any]:
    """Return the figures of one run with these ports."""
    import numpy as np

    with tempfile.TemporaryDirectory() as name, one_core_busy(), standstills(Path(name)):
        folder = Path(name)
        os.environ["TAPEBRIDGE_RUNTIME"] = name
        rig = make_load(folder, seconds)
        process = multiprocessing.get_context("spawn").Process(target=send, args=(name, names, seconds, tempo, rig))
        process.start()
        process.join()
        ours = json.loads((folder / "ours.json").read_text(encoding="ascii"))
        plain = np.array(json.loads((folder / "plain.json").read_text(encoding="ascii")))
        still = stood_still(folder)
        ports = {
            port: tick_figures(
                np.array(json.loads((folder / f"{port}.json").read_text(encoding="ascii"))),
                tick_interval_s(tempo * ratio),
                still,
            )
            for port, ratio in RATIOS.items()
        }
    keys = ("p99_ms", "p99.9_ms", "rate_error_ppm")
    worst = {key: max(abs(port[key]) for port in ports.values()) for key in keys}
    ran = {key: max(abs(port["while_the_machine_ran"][key]) for port in ports.values()) for key in keys}
    # the plain loop never skips, but falls behind
    plain_figures = figures(plain, np.arange(len(plain)), tick_interval_s(tempo))
    return {
        "ports": ports,
        "worst_port": worst,
        "worst_port_while_the_machine_ran": ran,
        "standstills": len(still),
        "sender": ours,
        "plain": plain_figures,
    }


def measure(seconds: float, tempo: float, blocked: bool) -> dict[str, Any]:
    """Return the figures of one run, or of two in a row, the second beside a port that blocks."""
    stolen = stolen_s()
    names = tuple(RATIOS)
    free = run_once(names, seconds, tempo)
    worst, ran = free["worst_port"], free["worst_port_while_the_machine_ran"]
    part = worst["p99_ms"] / free["plain"]["p99_ms"]
    met = {
        f"p99 at most {WANTED_PART} of the plain loop's": part <= WANTED_PART,
        f"p99.9 below {WANTED_P999_MS} ms": worst["p99.9_ms"] < WANTED_P999_MS,
        f"p99.9 below {WANTED_P999_MS} ms while the machine ran": ran["p99.9_ms"] < WANTED_P999_MS,
        f"rate error below {WANTED_PPM} ppm": worst["rate_error_ppm"] < WANTED_PPM,
    }
    found = {
        "seconds": seconds,
        "tempo": tempo,
        "cores": os.cpu_count(),
        "p99_part_of_plain": round(part, 6),
        "p99.9_part_of_a_din_byte": round(worst["p99.9_ms"] / DIN_BYTE_MS, 3),
    } | free
    if blocked:
        beside = run_once((*names, BLOCKED), seconds, tempo)
        ratio = beside["worst_port"]["p99_ms"] / worst["p99_ms"]
        found |= {"beside_a_blocked_port": beside, "p99_part_beside_a_blocked_port": round(ratio, 3)}
        met[f"p99 beside a blocked port at most {WANTED_BLOCKED} of the undisturbed"] = ratio <= WANTED_BLOCKED
    kept = None if stolen is None else round((stolen_s() or 0.0) - stolen, 3)
    return found | {"stolen_s": kept, "met": met}


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seconds", type=float, default=600.0, help="length of the run (default: 600)")
    options.add_argument("--tempo", type=float, default=120.0, help="tempo of the first clock in bpm (default: 120)")
    options.add_argument("--blocked", action="store_true", help="run again beside a port that blocks")
    chosen = options.parse_args()
    print(json.dumps(measure(chosen.seconds, chosen.tempo, chosen.blocked), indent=2))
