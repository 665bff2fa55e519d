"""Listeners for the tests of the sender: small enough to start at once, and able to die in every way."""

from __future__ import annotations

import os
import select
import signal
import sys
import time
from pathlib import Path

from bridge.edge.host_clock import now
from bridge.edge.link import Alive, EndAsked, Link, PortsGone, Standing
from bridge.events import PedalTold
from bridge.records import as_record

TEMPO = 120.0


def told(tempo: float = TEMPO, pedal: str = "long echo") -> PedalTold:
    """Return an order that counts at once."""
    return PedalTold(at=now(), pedal=pedal, deck="north", tempo=tempo, ratio=1.0, why="begin")


def steady(link: Link, start: int, log: str, orders: bool = True) -> None:
    """Give one order, write down each fact as it comes, end when asked or when the sender is gone."""
    Path(log).with_suffix(".pid").write_text(str(os.getpid()), encoding="ascii")
    if orders:
        link.send(told())
    _serve(link, start, Path(log), until=float("inf"))


def killed_once(link: Link, start: int, log: str) -> None:
    """Die by SIGKILL half a second after the first start; the second start ends the set after another half."""
    _fail_once(link, start, Path(log), signal.SIGKILL)


def hung_once(link: Link, start: int, log: str) -> None:
    """The same, but the first one stands still for good."""
    _fail_once(link, start, Path(log), signal.SIGSTOP)


def unaware(link: Link, start: int, log: str) -> None:
    """Order again and again, as one that was not told of the hand yet; the first is killed after a second."""
    for _ in range(20):
        link.send(told())
        _serve(link, start, Path(log), until=now() + 0.05)
    if start == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    _serve(link, start, Path(log), until=float("inf"))


def silent(link: Link, start: int, log: str) -> None:
    """Hear nothing, order nothing, and end the set soon."""
    _serve(link, start, Path(log), until=now() + 0.5)
    link.send(EndAsked("nothing to hear"))


def deaf_to_the_end(link: Link, start: int, log: str) -> None:
    """Never end, whatever is asked."""
    while not link.closed:
        link.receive()
        link.keep_alive(now())
        time.sleep(0.05)


def failing_at_the_end(link: Link, start: int, log: str) -> None:
    """End when asked, but say that something went wrong."""
    _serve(link, start, Path(log), until=float("inf"))
    sys.exit(1)


def at_odds(link: Link, start: int, log: str) -> None:
    """Order a pedal that nobody has."""
    link.send(told(pedal="stutter"))
    silent(link, start, log)


def _fail_once(link: Link, start: int, log: Path, how: int) -> None:
    if start == 1:
        link.send(told())
        _serve(link, start, log, until=now() + 0.5)
        os.kill(os.getpid(), how)
    _serve(link, start, log, until=now() + 0.5)
    link.send(EndAsked("the second listener had enough"))


def _serve(link: Link, start: int, log: Path, until: float) -> None:
    with log.open("a", encoding="utf-8") as lines:
        while not link.closed and now() < until:
            select.select([link], [], [], 0.05)
            for message in link.receive():
                if isinstance(message, EndAsked):
                    print(f"{start} end {message.why}", file=lines, flush=True)
                    link.vouch()
                    return
                if isinstance(message, PortsGone):
                    print(start, "gone:", *message.ports, file=lines, flush=True)
                elif isinstance(message, Standing):
                    hands = [type(hand).__name__ for hand in message.hands]
                    print(start, "standing:", *hands, file=lines, flush=True)
                elif not isinstance(message, Alive):
                    said = as_record(message)
                    print(start, said["fact"], said.get("why", said.get("text", "")), file=lines, flush=True)
            link.keep_alive(now())
