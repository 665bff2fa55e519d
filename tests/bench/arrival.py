"""When ticks arrive: by the frame of a private JACK server with periods of 64 frames, beside a plain sleep loop's.

``python -m tests.bench.arrival [--seconds N]`` prints JSON. The real sender, with a port process, sends 120 bpm through
RtMidi; a plain loop in a process of its own (sleep one interval, send) does the same. A JACK client in a third process
takes the frame of each arrival. Figures are in ms: how far arrivals lie from an even grid of the nominal interval
(standard deviation, 99 % within, worst), and the latency: the median time from sending to the frame of arrival.
RtMidi writes at the start of a turn of the server, 1.33 ms here, which no sender can better.
"""

# The sender's process imports this module too: nothing heavy stands at the top.
from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bridge import sender
from bridge.edge.child import Listen
from bridge.edge.host_clock import now
from bridge.edge.link import EndAsked, Link
from bridge.send.schedule import PortPlan, SendPlan
from bridge.units import tick_interval_s
from tests.bench.boxes import Stamped, sent_at

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TEMPO = 120.0
OURS, PLAIN = "ours", "plain"

STALL_S = 0.006
"""A turn lasts 1.3 ms; between two that lie further apart, the server or its client had no processor."""


def listen(link: Link, start: int) -> None:
    """Do nothing until the end."""
    while not link.closed:
        time.sleep(0.1)
        link.keep_alive(now())
        if any(isinstance(message, EndAsked) for message in link.receive()):
            link.vouch()
            return


def send(folder: str, seconds: float) -> None:
    """Run the sender as a set does."""
    port = PortPlan(name=OURS, pedals=("long echo",), begin_tempo=TEMPO)
    system = partial(Stamped, folder, (OURS,))
    sender.run(SendPlan(ports=(port,)), Listen("tests.bench.arrival:listen"), for_s=seconds, system=system)


def plain(folder: str, seconds: float) -> None:
    """Sleep one interval, send, and so on."""
    system = Stamped(folder, [PLAIN])
    port = system.open(PLAIN)
    end = now() + seconds
    while now() < end:
        port.send(b"\xf8")
        time.sleep(tick_interval_s(TEMPO))
    port.close()
    system.close()


def stamp(seconds: float, out: Path) -> None:
    """Be the JACK client: write down when every tick from either port arrived, and when the server stood still.

    A server that stands still counts no frames meanwhile. So the instant of an arrival is the host time at which its
    turn began, as the callback sees it, and its frame within the turn.
    """
    import jack

    client = jack.Client("stamps", no_start_server=True)
    rate = client.samplerate
    ports = {name: client.midi_inports.register(name) for name in (OURS, PLAIN)}
    stamps: dict[str, list[float]] = {name: [] for name in ports}
    stalls: list[float] = []
    last = now()

    @client.set_process_callback
    def process(_: int) -> None:
        nonlocal last
        at = now()
        if at - last > STALL_S:
            stalls.append(at)
        last = at
        for name, port in ports.items():
            stamps[name] += [
                at + offset / rate for offset, data in port.incoming_midi_events() if bytes(data) == b"\xf8"
            ]

    with client:
        end = now() + seconds
        while now() < end:
            for port in client.get_ports(is_midi=True, is_output=True):
                own = next((mine for name, mine in ports.items() if port.name.endswith(f":{name}")), None)
                if (
                    own is not None
                    and not port.name.startswith("stamps")
                    and own not in client.get_all_connections(port)
                ):
                    client.connect(port, own)
            time.sleep(0.1)
        # not at the end of `with`: libjack may cancel the callback's thread while that holds Python's lock
        out.write_text(json.dumps({"rate": rate, "stamps": stamps, "stalls": stalls}))
        os._exit(0)


def figures(arrived: NDArray[np.float64], index: NDArray[np.int_], stalled: NDArray[np.float64]) -> dict[str, Any]:
    """Return how arrivals lie about an even grid; those within 50 ms of a standstill of the server are left out.

    Args:
        arrived: When each tick arrived, in seconds.
        index: Which tick of the grid each is.
        stalled: When the server stood still.
    """
    import numpy as np

    interval = tick_interval_s(TEMPO)
    kept = np.array([not np.any(np.abs(stalled - at) < 0.05) for at in arrived], bool)
    off_ms = 1e3 * (arrived - interval * index)[kept]
    off_ms -= np.median(off_ms)
    steps_ms = 1e3 * np.diff(arrived)[kept[1:] & kept[:-1]]
    return {
        "ticks": len(arrived),
        "left_out": int((~kept).sum()),
        "std_ms": round(float(off_ms.std()), 4),
        "p99_ms": round(float(np.percentile(np.abs(off_ms), 99)), 4),
        "worst_ms": round(float(np.abs(off_ms).max()), 4),
        "interval_error_p99_ms": round(float(np.percentile(np.abs(steps_ms - 1e3 * interval), 99)), 4),
    }


def nearest(arrived: NDArray[np.float64]) -> NDArray[np.int_]:
    """Return which tick of a grid each arrival is, where the grid stands still and ticks may be missing."""
    import numpy as np

    turns = (arrived - arrived[0]) / tick_interval_s(TEMPO)
    phase = np.angle(np.exp(2j * np.pi * turns).mean()) / (2 * np.pi)
    return np.rint(turns - phase).astype(int)


def latency_ms(sent: NDArray[np.float64], arrived: NDArray[np.float64]) -> float:
    """Return the median time from sending a tick to the next arrival."""
    import numpy as np

    following = np.searchsorted(arrived, sent)
    known = following < len(arrived)
    return round(1e3 * float(np.median(arrived[following[known]] - sent[known])), 3)


def measure(seconds: float) -> dict[str, Any]:
    """Return the figures of one run."""
    import numpy as np

    from tests.conftest import JACK_SHORT_PERIOD, running_jack_server

    with (
        tempfile.TemporaryDirectory() as name,
        running_jack_server(
            f"bridge-arrival-{os.getpid()}", Path(name) / "jackd.log", JACK_SHORT_PERIOD, True
        ) as server,
    ):
        folder = Path(name)
        for key in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER"):
            os.environ[key] = server.env[key]
        os.environ["TAPEBRIDGE_RUNTIME"] = name
        client = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.arrival", "--stamp", str(folder / "seen"), "--seconds", str(seconds)]
        )
        spawn = multiprocessing.get_context("spawn")
        senders = [spawn.Process(target=target, args=(name, seconds)) for target in (send, plain)]
        for process in senders:
            process.start()
        for process in senders:
            process.join()
        client.wait(30)
        seen = json.loads((folder / "seen").read_text(encoding="ascii"))
        sent = {port: np.array([at for at, _ in sent_at(folder, port)]) for port in (OURS, PLAIN)}
    stalled = np.array(seen["stalls"])
    found: dict[str, Any] = {"seconds": seconds, "tempo": TEMPO, "period_ms": round(64e3 / seen["rate"], 3)}
    for port in (OURS, PLAIN):
        arrived = np.array(seen["stamps"][port])
        index = (
            nearest(arrived) if port == OURS else np.arange(len(arrived))
        )  # a plain loop skips none, and falls behind
        found[port] = figures(arrived, index, stalled) | {"latency_ms": latency_ms(sent[port], arrived)}
    found["server_stalls"] = len(stalled)
    found["p99_part_of_plain"] = round(found[OURS]["p99_ms"] / found[PLAIN]["p99_ms"], 4)
    return found


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seconds", type=float, default=60.0, help="length of the run (default: 60)")
    options.add_argument("--stamp", type=Path, help=argparse.SUPPRESS)
    chosen = options.parse_args()
    if chosen.stamp is not None:
        stamp(chosen.seconds + 5.0, chosen.stamp)
    print(json.dumps(measure(chosen.seconds), indent=2))
