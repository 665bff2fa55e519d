"""How late each clock tick is: our sender's beside those of a plain sleep loop, in the same run, under load.

``python -m tests.bench.clock [--seconds N] [--tempo BPM]`` prints JSON. The load is the sender's own listener, with
analysis of two decks, a journal, kept sound and OSC; the plain loop is a thread of that process, as a program without a
sender has it. Lateness is counted against the grid of the nominal interval from the first tick on: a slow loop falls
behind it.
"""

# The sender's process imports this module too: nothing heavy stands at the top.
from __future__ import annotations

import argparse
import contextlib
import json
import multiprocessing
import os
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bridge import sender
from bridge.edge.child import Listen
from bridge.edge.host_clock import now
from bridge.edge.link import Link
from bridge.rig import Osc, Rig
from bridge.send.schedule import PortPlan, SendPlan
from bridge.testing.ports import ListPort
from bridge.units import tick_interval_s

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TAPE = "load.flac"

START_S = 5.0
"""The load's tape is so much longer than the run."""

WANTED_P99 = 0.01
"""Our p99 as a part of the plain loop's, at most."""

WANTED_PPM = 1.0
"""Our rate error in parts per million of the host clock, at most."""


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


def send(folder: str, seconds: float, tempo: float, rig: Rig) -> None:
    """Run the sender as a set does, with ports that remember; leave its tick times and outcome in ``ours.json``."""
    ports: dict[str, ListPort] = {}
    plan = SendPlan(
        ports=(
            PortPlan(name="measured", pedals=("long echo",), begin_tempo=tempo),
            PortPlan(name="moved by the load", pedals=tuple(pedal.name for pedal in rig.pedals)),
        )
    )
    listener = Listen("tests.bench.clock:listen", (folder, tempo, rig, now()))
    began = time.process_time()
    ended = sender.run(plan, listener, for_s=seconds, open_port=lambda name: ports.setdefault(name, ListPort(now)))
    ours = {
        "ticks": [at for at, _ in ports["measured"].sent],
        "load_ticks": len(ports["moved by the load"].sent),
        "dropped": ended.ticks_dropped,
        "priority": ended.priority,
        "cpu_share": round((time.process_time() - began) / seconds, 4),
    }
    (Path(folder) / "ours.json").write_text(json.dumps(ours), encoding="ascii")


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


def measure(seconds: float, tempo: float) -> dict[str, Any]:
    """Return the figures of one run."""
    import numpy as np

    interval_s = tick_interval_s(tempo)
    stolen = stolen_s()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["TAPEBRIDGE_RUNTIME"] = folder
        rig = make_load(Path(folder), seconds)
        process = multiprocessing.get_context("spawn").Process(target=send, args=(folder, seconds, tempo, rig))
        process.start()
        process.join()
        ours = json.loads((Path(folder) / "ours.json").read_text(encoding="ascii"))
        plain = json.loads((Path(folder) / "plain.json").read_text(encoding="ascii"))
    sent, looped = np.array(ours["ticks"]), np.array(plain)
    # the plain loop never skips, but falls behind; the sender's grid stands still, but ticks may be missing from it
    turns = (sent - sent[0]) / interval_s
    phase = np.angle(np.exp(2j * np.pi * turns).mean()) / (2 * np.pi)
    ours_figures = figures(sent, np.rint(turns - phase).astype(int), interval_s)
    plain_figures = figures(looped, np.arange(len(looped)), interval_s)
    part = ours_figures["p99_ms"] / plain_figures["p99_ms"]
    return {
        "seconds": seconds,
        "tempo": tempo,
        "cores": os.cpu_count(),
        "stolen_s": None if stolen is None else round((stolen_s() or 0.0) - stolen, 3),
        "sender": ours_figures | {key: ours[key] for key in ("load_ticks", "dropped", "priority", "cpu_share")},
        "plain": plain_figures,
        "p99_part": round(part, 6),
        "met": part <= WANTED_P99 and abs(ours_figures["rate_error_ppm"]) < WANTED_PPM,
    }


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seconds", type=float, default=30.0, help="length of the run (default: 30)")
    options.add_argument("--tempo", type=float, default=120.0, help="tempo of both clocks in bpm (default: 120)")
    chosen = options.parse_args()
    print(json.dumps(measure(chosen.seconds, chosen.tempo), indent=2))
