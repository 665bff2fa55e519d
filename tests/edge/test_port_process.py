"""Promises of ports in processes of their own: none waits for another, none leaves a contact closed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pytest

from bridge.edge.host_clock import now
from bridge.edge.port_process import PortProcesses
from bridge.events import Fact, PortLost, PortOpened, TicksDropped
from bridge.events_sent import MessageLeftOut
from tests.toy_ports import ToySystem

ROOT = Path(__file__).resolve().parents[2]
TICK = b"\xf8"
PRESS, RELEASE = bytes([0x90, 60, 100]), bytes([0x80, 60, 0])

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kills and blocks processes as POSIX systems do")


class Run:
    """Ports under test, and all that was told of them."""

    def __init__(self, ports: PortProcesses) -> None:
        self.ports = ports
        self.facts: list[Fact] = []

    def until(self, holds: Callable[[], object], longest_s: float = 30.0) -> None:
        """Look after the ports as the sender does until it holds."""
        give_up = time.monotonic() + longest_s
        while not holds():
            assert time.monotonic() < give_up, self.facts
            time.sleep(0.02)
            self.ports.tend()
            self.facts += self.ports.take_facts()

    def told(self, kind: type[Fact], port: str) -> list[Fact]:
        """Return the facts of a kind about a port."""
        return [fact for fact in self.facts if isinstance(fact, kind) and fact.port == port]


@contextmanager
def running(system: Callable[[], ToySystem], *names: str) -> Iterator[Run]:
    """Ports that are open."""
    ports = PortProcesses(names, system, now)
    run = Run(ports)
    try:
        run.until(lambda: all(run.told(PortOpened, name) for name in names))
        yield run
    finally:
        ports.close()


@pytest.fixture
def system(tmp_path: Path) -> ToySystem:
    return ToySystem(tmp_path)


def as_system(system: ToySystem) -> ToySystem:
    return system


def opener(system: ToySystem) -> Callable[[], ToySystem]:
    """Return what gives the system in another process."""
    return partial(as_system, system)


def test_what_is_handed_over_ahead_of_its_time_goes_out_in_order_and_not_before_it(system):
    with running(opener(system), "Pedals A") as run:
        at = now() + 0.05
        later, sooner = bytes([0xC0, 1]), bytes([0xC0, 2])
        assert run.ports.send("Pedals A", later, at + 0.05)
        assert run.ports.send("Pedals A", sooner, at)
        run.until(lambda: len(system.sent("Pedals A")) == 2)
    (first_at, first), (second_at, second) = system.sent("Pedals A")
    assert (first, second) == (sooner, later)
    assert first_at >= at
    assert second_at >= at + 0.05


def test_a_port_that_blocks_delays_no_other_and_is_told_given_up_and_tried_again(system):
    """Its driver never returns. All that is handed to the other port meanwhile goes out."""
    with running(opener(system), "stuck", "Pedals A") as run:
        first = system.pid("stuck")
        count = 0

        def play() -> bool:
            nonlocal count
            run.ports.send("stuck", TICK, now())
            count += run.ports.send("Pedals A", TICK, now())
            return len(run.told(PortOpened, "stuck")) == 2

        run.until(play)
        run.until(lambda: len(system.sent("Pedals A")) + dropped(run, "Pedals A") == count)
        assert [fact.why for fact in run.told(PortLost, "stuck")] == ["its driver stands still"]
        assert run.told(PortLost, "Pedals A") == []
        assert system.pid("stuck") != first
        assert count > 50


def test_a_port_that_stood_still_for_a_moment_is_told_back_after_it_was_told_lost(system):
    with running(opener(system), "Pedals A") as run:
        os.kill(system.pid("Pedals A"), signal.SIGSTOP)
        run.until(lambda: run.told(PortLost, "Pedals A"))
        os.kill(system.pid("Pedals A"), signal.SIGCONT)
        run.until(lambda: len(run.told(PortOpened, "Pedals A")) == 2)
        [lost], (_, back) = run.told(PortLost, "Pedals A"), run.told(PortOpened, "Pedals A")
        assert lost.why == "its driver stands still"
        assert back.at > lost.at


def dropped(run: Run, port: str) -> int:
    """Return how many ticks of a port were dropped."""
    return sum(fact.count for fact in run.told(TicksDropped, port))


def test_a_tick_that_is_late_is_dropped_and_counted_and_anything_else_is_sent(system):
    with running(opener(system), "Pedals A") as run:
        run.ports.send("Pedals A", TICK, now() - 2.0)
        run.ports.send("Pedals A", TICK, now() - 1.0)
        run.ports.send("Pedals A", RELEASE, now() - 1.0)
        run.until(lambda: dropped(run, "Pedals A") == 2)
        run.until(lambda: [data for _, data in system.sent("Pedals A")] == [RELEASE])


def test_a_tap_that_is_late_is_left_out_and_said(system):
    with running(opener(system), "Pedals A") as run:
        run.ports.send("Pedals A", PRESS, now() - 1.0, undo=RELEASE, until=now() - 0.5, undo_at=now() - 0.8)
        run.until(lambda: run.told(MessageLeftOut, "Pedals A"))
        assert bytes.fromhex(run.told(MessageLeftOut, "Pedals A")[0].data) == PRESS
        run.ports.send("Pedals A", TICK, now())
        run.until(lambda: [data for _, data in system.sent("Pedals A")] == [TICK])


def test_a_process_of_a_port_that_is_killed_is_replaced_and_a_closed_contact_opened(system):
    with running(opener(system), "Pedals A", "Pedals B") as run:
        run.ports.send("Pedals A", PRESS, now(), RELEASE)
        run.until(lambda: system.sent("Pedals A"))
        os.kill(system.pid("Pedals A"), signal.SIGKILL)
        run.until(lambda: run.told(PortLost, "Pedals A"))
        assert run.told(PortLost, "Pedals A")[0].why == "its process was killed by SIGKILL"
        assert not run.ports.send("Pedals A", TICK, now())
        assert run.ports.send("Pedals B", TICK, now())
        run.until(lambda: len(run.told(PortOpened, "Pedals A")) == 2)
        run.until(lambda: [data for _, data in system.sent("Pedals A")] == [PRESS, RELEASE])
        assert run.told(PortLost, "Pedals B") == []


def test_a_contact_that_a_pulled_cable_kept_closed_is_opened_when_it_is_back(system, tmp_path):
    with running(opener(system), "Pedals A") as run:
        run.ports.send("Pedals A", PRESS, now(), RELEASE)
        run.until(lambda: system.sent("Pedals A"))
        (tmp_path / "Pedals A.absent").touch()
        run.until(lambda: run.told(PortLost, "Pedals A"))
        assert not run.ports.send("Pedals A", RELEASE, now())
        (tmp_path / "Pedals A.absent").unlink()
        run.until(lambda: len(system.sent("Pedals A")) == 2)
    assert [data for _, data in system.sent("Pedals A")] == [PRESS, RELEASE]


def test_an_absent_port_is_told_once_and_taken_in_when_it_comes(system, tmp_path):
    (tmp_path / "Pedals B.absent").touch()
    ports = PortProcesses(["Pedals A", "Pedals B"], opener(system), now)
    run = Run(ports)
    try:
        run.until(lambda: run.told(PortLost, "Pedals B") and run.told(PortOpened, "Pedals A"))
        assert run.told(PortLost, "Pedals B")[0].why == "not ready: Pedals B is absent"
        (tmp_path / "Pedals B.absent").unlink()
        run.until(lambda: run.told(PortOpened, "Pedals B"))
        assert len(run.told(PortLost, "Pedals B")) == 1
    finally:
        ports.close()


def test_a_contact_is_opened_in_time_though_the_sender_stands_still(system):
    """A release that comes is the only one; one that does not come is sent by the port itself."""
    with running(opener(system), "Pedals A") as run:
        at = now() + 0.05
        run.ports.send("Pedals A", PRESS, at, undo=RELEASE, undo_at=at + 0.2)
        run.ports.send("Pedals A", RELEASE, at + 0.1)
        run.ports.send("Pedals A", PRESS, at + 0.5, undo=RELEASE, undo_at=at + 0.7)
        give_up = time.monotonic() + 20
        while len(sent := system.sent("Pedals A")) < 4 and time.monotonic() < give_up:
            time.sleep(0.05)  # and no more is done here
    assert [data for _, data in sent] == [PRESS, RELEASE] * 2
    assert sent[3][0] >= at + 0.7


def test_what_is_to_be_undone_can_be_put_off_and_settled_without_a_message(system):
    """A looper closes later than was thought, or is closed by something else: its port must not close it by itself."""
    with running(opener(system), "Pedals A") as run:
        at = now() + 0.05
        closes, other = bytes([0xC0, 1]), bytes([0xC0, 2])
        run.ports.send("Pedals A", PRESS, at, undo=RELEASE, undo_at=at + 0.2)
        run.ports.send("Pedals A", b"", at + 0.1, undo=RELEASE, undo_at=at + 0.5)
        run.ports.send("Pedals A", other, at + 0.6, undo=closes, undo_at=at + 0.7)
        run.ports.send("Pedals A", other, at + 0.65, settles=closes)
        run.ports.send("Pedals A", other, at + 0.9)
        run.until(lambda: len(system.sent("Pedals A")) == 5)
    sent = system.sent("Pedals A")
    assert [data for _, data in sent] == [PRESS, RELEASE, other, other, other]
    assert sent[1][0] >= at + 0.5


def test_closing_ends_every_process_in_order(system, tmp_path):
    with running(opener(system), "Pedals A", "Pedals B"):
        pids = {system.pid("Pedals A"), system.pid("Pedals B")}
    assert {int(path.name.partition("-")[2]) for path in tmp_path.glob("closed-*")} == pids


def hold_and_wait(folder: str) -> None:
    """Close two contacts, open one of them again, and wait to be killed."""
    system = ToySystem(Path(folder))
    with running(opener(system), "Pedals A") as run:
        run.ports.send("Pedals A", PRESS, now(), RELEASE)
        run.ports.send("Pedals A", bytes([0xB0, 64, 127]), now(), bytes([0xB0, 64, 0]))
        run.ports.send("Pedals A", bytes([0xB0, 64, 0]), now())
        (Path(folder) / "ready").touch()
        time.sleep(60)


def test_when_the_sender_is_killed_the_port_ends_what_is_held_and_nothing_else(system, tmp_path):
    code = (
        "from tests.edge.test_port_process import hold_and_wait\n"
        f"if __name__ == '__main__': hold_and_wait({str(tmp_path)!r})"
    )
    script = tmp_path / "script.py"
    script.write_text(code)
    sender = subprocess.Popen([sys.executable, script], env=os.environ | {"PYTHONPATH": str(ROOT)})
    give_up = time.monotonic() + 30
    while len(system.sent("Pedals A")) < 3:
        assert time.monotonic() < give_up
        time.sleep(0.02)
    sender.kill()
    sender.wait()
    while not list(tmp_path.glob("closed-*")):
        assert time.monotonic() < give_up + 10
        time.sleep(0.02)
    sent = [data for _, data in system.sent("Pedals A")]
    assert sent == [PRESS, bytes([0xB0, 64, 127]), bytes([0xB0, 64, 0]), RELEASE]
