"""What a pedal sees when something is killed, pulled or stalled: gaps, doubled ticks, bursts, held contacts.

``python -m tests.bench.faults [--only NAME]`` prints JSON. On a private JACK server the real sender clocks and taps a
pedal (24 ticks a beat at 120 bpm; a tap contact that is closed 100 ms at every beat); beside it, as the reference of
the same run, a plain program in one process does the same with absolute deadlines. Both get the same fault: the plain
program is killed where the listener or the sender is. Gaps are counted in ticks: 1 is none.
"""

# The sender's process imports this module too: nothing heavy stands at the top.
from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import multiprocessing
import os
import select
import signal
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from bridge import sender
from bridge.edge.child import Listen
from bridge.edge.host_clock import now
from bridge.edge.link import EndAsked, Link
from bridge.events import PedalTold
from bridge.send.messages import note_off, note_on
from bridge.send.schedule import PortPlan, SendPlan
from bridge.send.taps import TapPlan
from bridge.units import period_s, tick_interval_s
from tests.bench.boxes import Stamped, boxes, sent_at

TEMPO = 120.0
BOX, PLAIN_BOX = "pedal box", "plain box"
PRESS, RELEASE = note_on(1, 60, 100), note_off(1, 60)
CONTACT_S = 0.1

BEFORE_S, AFTER_S = 3.0, 8.0
"""So long a set runs before the fault, and after it."""

STALL_S = 2.0
PULLED_S = 1.5

CLOSE = 0.45
"""Two ticks that are closer than this part of an interval are doubled; three in a row are a burst. Half is promised."""

HELD_S = 0.3
"""A contact that is closed longer counts as held: 200 ms are allowed, and JACK and a busy machine add to that."""


def listen(link: Link, start: int, folder: str) -> None:
    """Give the tap box another tempo every second, so that it is always tapped; say when this listener came up."""
    (Path(folder) / f"listener-{start}.json").write_text(json.dumps([os.getpid(), now()]), encoding="ascii")
    tempi, next_at = itertools.cycle([TEMPO, TEMPO * 1.02]), now()
    while not link.closed:
        if now() >= next_at:
            next_at += 1.0
            link.send(PedalTold(at=now(), pedal="tap box", deck="north", tempo=next(tempi), ratio=1.0, why="drift"))
        select.select([link], [], [], 0.05)
        for message in link.receive():
            if isinstance(message, EndAsked):
                link.vouch()
                return
        link.keep_alive(now())


def send(folder: str) -> None:
    """Run the sender as a set does."""
    os.setsid()
    tap = TapPlan(
        pedal="tap box", press=PRESS, release=RELEASE, count=16, contact_s=CONTACT_S, drift=0.001, every_s=1.0
    )
    port = PortPlan(name=BOX, pedals=("long echo",), begin_tempo=TEMPO, taps=(tap,))
    listener = Listen("tests.bench.faults:listen", (folder,))
    ended = sender.run(SendPlan(ports=(port,), api="jack"), listener, system=partial(Stamped, folder))
    (Path(folder) / "ended.json").write_text(json.dumps(ended.ticks_dropped), encoding="ascii")


def plain(folder: str) -> None:
    """Be a program as one writes it first: one process, one loop, absolute deadlines, a port opened once."""
    os.setsid()
    port = Stamped(folder).open(PLAIN_BOX)
    began, interval, every = now(), tick_interval_s(TEMPO), round(period_s(TEMPO) / tick_interval_s(TEMPO))
    for tick in itertools.count():
        time.sleep(max(0.0, began + tick * interval - now()))
        try:
            if tick % every == 0:
                port.send(PRESS)
            if tick % every == round(CONTACT_S / interval):
                port.send(RELEASE)
            port.send(b"\xf8")
        except OSError:
            continue


def figures(
    stamps: list[tuple[float, bytes]], sent: list[tuple[float, bytes]], at: float, back: float | None
) -> dict[str, Any]:
    """Return what a pedal saw.

    Args:
        stamps: What came at the pedal, and when.
        sent: What went out at the port, and when: JACK itself may bring two ticks together when it stood still.
        at: When the fault was.
        back: From when on the port was there again, or the machine went on; None where neither was away.
    """
    import numpy as np

    interval = tick_interval_s(TEMPO)
    ticks, out = (np.array([when for when, data in them if data == b"\xf8"]) for them in (stamps, sent))
    steps = np.diff(ticks) / interval
    close, close_at_pedal = np.diff(out) / interval < CLOSE, steps < CLOSE
    again = at if back is None else back
    after, later = ticks[ticks > again + interval], ticks[ticks > at + AFTER_S - 3.0]
    before = ticks[(ticks > at - 2.0) & (ticks < at)]
    phase = None
    if len(later) and len(before):
        turns = [np.angle(np.exp(2j * np.pi * part / interval).mean()) / (2 * np.pi) for part in (before, later)]
        phase = round(float(abs((turns[1] - turns[0] + 0.5) % 1.0 - 0.5)), 3)
    held, longest = _held(stamps, (at, again if back is None or not len(after) else float(after[0])))
    return {
        "largest_gap_in_ticks": round(float(steps.max()), 2) if len(later) else None,
        "largest_gap_at_the_port": round(float(np.diff(out).max() / interval), 2) if len(later) else None,
        "doubled": int(close.sum()),
        "bursts": int((close[1:] & close[:-1]).sum()),
        "close_at_the_pedal": int(close_at_pedal.sum()),
        "contacts_held": held,
        "contact_longest_ms": round(1e3 * longest),
        "back_after_s": round(float(after[0] - again), 3) if len(after) else None,
        "phase_moved_by_ticks": phase,
    }


def _held(stamps: list[tuple[float, bytes]], away: tuple[float, float]) -> tuple[int, float]:
    """Return how many contacts were closed for too long, or for good, and the longest time that one was, in seconds.

    Nobody can open a contact while the port is away or the whole machine stands still: that time does not count.
    """
    held, longest, closed_at = 0, 0.0, None
    for at, data in stamps:
        if data == PRESS:
            closed_at = at
        elif data == RELEASE and closed_at is not None:
            away_s = max(0.0, min(at, away[1]) - max(closed_at, away[0]))
            longest, held = max(longest, at - closed_at), held + (at - closed_at - away_s > HELD_S)
            closed_at = None
    return held + (closed_at is not None), longest


def run(fault: str) -> dict[str, Any]:
    """Return what both pedals saw of one fault."""
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        os.environ["TAPEBRIDGE_RUNTIME"] = name
        folder = Path(name)
        pedals = stack.enter_context(boxes(folder / "stamps.json", BOX, PLAIN_BOX))
        ours, theirs = _start(stack, send, name), _start(stack, plain, name)
        listener = _listener(folder, 1)[0]
        time.sleep(BEFORE_S)
        at, back = now(), None
        if fault == "listener killed":
            os.kill(listener, signal.SIGKILL)
            theirs.kill()
        elif fault == "sender killed":
            for process in (ours, theirs):
                process.kill()
                process.join()  # who is not asked for counts as there
            (folder / "listener-1.json").unlink()
            ours, _ = _start(stack, send, name), _start(stack, plain, name)
        elif fault == "port pulled":
            for box in (BOX, PLAIN_BOX):
                pedals.do(f"pull {box}")
            time.sleep(PULLED_S)
            for box in (BOX, PLAIN_BOX):
                pedals.do(f"plug {box}")
            back = now()
        else:
            for word, wait_s in ((signal.SIGSTOP, STALL_S), (signal.SIGCONT, 0.0)):
                for process in (ours, theirs):
                    os.killpg(process.pid, word)
                time.sleep(wait_s)
            back = now()
        time.sleep(max(0.0, at + AFTER_S - now()))
        os.kill(ours.pid, signal.SIGTERM)
        ours.join(10)
        seen = pedals.end()
        sent = [sent_at(folder, name) for name in (BOX, PLAIN_BOX)]
        found = {"ours": figures(seen[BOX], sent[0], at, back), "plain": figures(seen[PLAIN_BOX], sent[1], at, back)}
        if fault == "listener killed":
            found["ours"]["listener_back_after_s"] = round(_listener(folder, 2)[1] - at, 3)
        return found


def _start(
    stack: contextlib.ExitStack, target: Callable[[str], None], folder: str
) -> multiprocessing.process.BaseProcess:
    """Start a process that is ended with the stack, if not before."""
    process = multiprocessing.get_context("spawn").Process(target=target, args=(folder,))
    process.start()

    def end() -> None:
        process.kill()
        process.join(10)

    stack.callback(end)
    return process


def _listener(folder: Path, start: int) -> tuple[int, float]:
    """Return the process id of a listener and when it came up, once it has."""
    path = folder / f"listener-{start}.json"
    give_up = now() + 20.0
    while not path.exists() or not path.read_text(encoding="ascii"):
        assert now() < give_up, f"listener {start} did not come up"
        time.sleep(0.05)
    pid, at = json.loads(path.read_text(encoding="ascii"))
    return pid, at


FAULTS = ("listener killed", "sender killed", "port pulled", "stall of 2 s")


def measure(names: tuple[str, ...]) -> dict[str, Any]:
    """Return the figures of all faults."""
    from tests.conftest import JACK_SHORT_PERIOD, running_jack_server

    with (
        tempfile.TemporaryDirectory() as folder,
        running_jack_server(
            f"bridge-faults-{os.getpid()}", Path(folder) / "jackd.log", JACK_SHORT_PERIOD, True
        ) as server,
    ):
        for key in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER"):
            os.environ[key] = server.env[key]
        found = {fault: run(fault) for fault in names}
    ours = [both["ours"] for both in found.values()]
    met = {f"{key}: none": all(one[key] == 0 for one in ours) for key in ("doubled", "bursts", "contacts_held")}
    return {"tempo": TEMPO, "cores": os.cpu_count(), "faults": found, "met": met}


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--only", choices=FAULTS, help="one fault instead of all")
    chosen = options.parse_args()
    print(json.dumps(measure((chosen.only,) if chosen.only else FAULTS), indent=2))
