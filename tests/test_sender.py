"""Promises of the sender: the clock goes on whatever happens to the listener, and everything ends in order."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import ClassVar

import pytest

from bridge import sender
from bridge.actions import Action
from bridge.edge import control
from bridge.edge.child import Child, Listen, Listeners
from bridge.edge.host_clock import now
from bridge.errors import BridgeError, DeviceError
from bridge.events import ListenerLost, PortLost
from bridge.rig import Deck
from bridge.send.plan import PortPlan, SendPlan, StagePlan
from bridge.sender import SetEnded
from bridge.testing.clock import FakeClock
from bridge.testing.ports import ListPort
from tests.toy_listener import TEMPO

ROOT = Path(__file__).resolve().parents[1]
PLAN = SendPlan(ports=(PortPlan(name="Pedals A", pedals=("long echo",)),))
INTERVAL_S = 2.5 / TEMPO

posix = pytest.mark.skipif(os.name != "posix", reason="sends signals that only POSIX systems have")


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TAPEBRIDGE_RUNTIME", str(tmp_path / "runtime"))


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return tmp_path / "listener.log"


@pytest.fixture
def port() -> ListPort:
    return ListPort(now)


def run(toy: str, log: Path, port: ListPort, for_s: float = 20.0, plan: SendPlan = PLAN) -> SetEnded:
    """Run a set with a toy listener and a port that remembers."""
    return sender.run(plan, Listen(f"tests.toy_listener:{toy}", (str(log),)), for_s=for_s, open_port=lambda _: port)


def assert_clock_went_on(port: ListPort, ended: SetEnded, at_least_s: float) -> None:
    """The ticks lie on one grid at the ordered tempo, none missing but those counted, none bunched."""
    times = [at for at, data in port.sent if data == b"\xf8"]
    assert len(times) == len(port.sent) == ended.ticks_sent
    assert times[-1] - times[0] > at_least_s
    steps = [(after - before) / INTERVAL_S for before, after in pairwise(times)]
    assert min(steps) > 0.45
    assert round((times[-1] - times[0]) / INTERVAL_S) == len(times) - 1 + ended.ticks_dropped


def gone(pid: int) -> bool:
    """Whether a process has ended; one that nobody has asked for its exit code yet counts as ended."""
    try:
        os.kill(pid, 0)
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except ProcessLookupError:
        return True
    except FileNotFoundError:
        return Path("/proc/self").exists()  # it went just now; or this system tells no states
    return state == "Z"


def until(holds: Callable[[], bool], longest_s: float = 10.0) -> None:
    """Wait for it, not forever."""
    give_up = time.monotonic() + longest_s
    while not holds():
        assert time.monotonic() < give_up, "it did not come to that"
        time.sleep(0.02)


def test_the_sender_imports_nothing_heavy():
    """Its start must be quick and its memory small; each of these would also bring threads or pauses."""
    heavy = ["numpy", "scipy", "aubio", "pydantic", "sounddevice", "soundfile", "rich", "click", "pythonosc", "jinja2"]
    code = f"import sys, bridge.sender; print([m for m in {heavy!r} if m in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT).stdout
    assert found.strip() == "[]"


@posix
def test_the_clock_goes_on_when_the_listener_is_killed_and_the_next_one_is_told(log, port):
    ended = run("killed_once", log, port)
    assert ended.why == "the second listener had enough"
    assert ended.starts == 2
    assert_clock_went_on(port, ended, at_least_s=0.9)
    lines = log.read_text().splitlines()
    assert "1 PortOpened " in lines
    second = [line for line in lines if line.startswith("2 ")]
    assert second[0] == "2 ListenerLost killed by SIGKILL"
    assert "2 PedalTold begin" in second


@posix
def test_the_next_listener_is_told_which_ports_are_gone_and_not_that_they_were_lost_again(log):
    def absent(name: str) -> ListPort:
        raise DeviceError(f"{name} is absent")

    sender.run(PLAN, Listen("tests.toy_listener:killed_once", (str(log),)), for_s=20.0, open_port=absent)
    lines = log.read_text().splitlines()
    assert [line for line in lines if "PortLost" in line] == ["1 PortLost not ready: Pedals A is absent"]
    assert "2 gone: Pedals A" in lines


@posix
def test_a_hung_listener_is_replaced_after_three_seconds_and_the_clock_goes_on(log, port):
    began = now()
    ended = run("hung_once", log, port)
    assert 3.5 < now() - began < 15.0
    assert ended.starts == 2
    assert "2 ListenerLost hung: no sign of life for 3 s" in log.read_text()
    assert_clock_went_on(port, ended, at_least_s=3.5)


def test_nothing_is_sent_before_an_order(log, port):
    ended = run("silent", log, port)
    assert (ended.why, ended.ticks_sent, port.sent) == ("nothing to hear", 0, [])


def test_an_order_for_an_unknown_pedal_is_counted_and_harms_nothing(log, port):
    ended = run("at_odds", log, port)
    assert (ended.orders_refused, ended.starts, port.sent) == (1, 1, [])


def test_a_set_of_given_length_ends_in_order(log, port):
    began = now()
    ended = run("steady", log, port, for_s=1.0)
    assert 1.0 <= now() - began < 5.0
    assert (ended.why, ended.starts, ended.killed, ended.failed) == ("its 1 s were over", 1, False, False)
    assert (ended.unheard, ended.facts_dropped) == ((), 0)
    assert log.read_text().splitlines()[-1] == "1 end its 1 s were over"
    assert port.closed
    assert gone(int(log.with_suffix(".pid").read_text()))


def test_a_listener_that_fails_while_it_ends_the_set_is_told_of(log, port):
    ended = run("failing_at_the_end", log, port, for_s=1.0)
    assert (ended.starts, ended.killed, ended.failed) == (1, False, True)


def test_a_listener_that_does_not_end_is_killed(log, port, monkeypatch):
    monkeypatch.setattr(sender, "END_S", 0.5)
    began = now()
    ended = run("deaf_to_the_end", log, port, for_s=1.0)
    assert ended.killed
    assert ended.failed
    assert now() - began < 5.0


def test_a_length_that_is_none_is_refused(log, port):
    for for_s in (0.0, -1.0, float("nan")):
        with pytest.raises(ValueError, match="above 0"):
            run("silent", log, port, for_s=for_s)


@posix
def test_signals_and_collection_of_garbage_are_as_before(log, port):
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    run("silent", log, port)
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)] == before


def main(log: str, outcome: str) -> None:
    """Run a set as a process of its own, for tests that end it from outside."""
    port = ListPort(now)
    ended = run("steady", Path(log), port, for_s=60.0)
    told = {"why": ended.why, "killed": ended.killed, "ticks": len(port.sent), "dropped": ended.ticks_dropped}
    Path(outcome).write_text(json.dumps(told | {"times": [at for at, _ in port.sent]}))


class Running:
    """A set in a process of its own."""

    def __init__(self, log: Path) -> None:
        self.log = log
        self.outcome = log.with_suffix(".json")
        code = (
            f"from tests.test_sender import main\nif __name__ == '__main__': main({str(log)!r}, {str(self.outcome)!r})"
        )
        script = log.with_suffix(".py")
        script.write_text(code)
        self.process = subprocess.Popen([sys.executable, script], env=os.environ | {"PYTHONPATH": str(ROOT)})
        until(lambda: log.exists() and "PortOpened" in log.read_text(), 30.0)
        self.listener = int(log.with_suffix(".pid").read_text())

    def ended(self) -> dict[str, object]:
        """Wait for the end; return what it came to."""
        assert self.process.wait(8) == 0
        assert gone(self.listener)
        return json.loads(self.outcome.read_text())


@pytest.fixture
def running(log: Path):
    sets = Running(log)
    yield sets
    sets.process.kill()
    sets.process.wait(5)
    until(lambda: gone(sets.listener))


@posix
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_the_set_in_order(running, how):
    """Ctrl-C reaches the whole terminal: the listener gets the signal too, and leaves the end to the sender."""
    os.kill(running.listener, how)
    running.process.send_signal(how)
    why = "Ctrl-C" if how == signal.SIGINT else how.name
    outcome = running.ended()
    assert (outcome["why"], outcome["killed"]) == (why, False)
    assert running.log.read_text().splitlines()[-1] == f"1 end {why}"


def ignores(pid: int, number: int) -> bool:
    """Whether a process ignores a signal. That it does is not seen by sending it: an orphaned group never stops."""
    (mask,) = (line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("SigIgn"))
    return bool(int(mask.split()[1], 16) >> (number - 1) & 1)


on_linux = pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="asks Linux what a process ignores")


@on_linux
def test_ctrl_z_stops_neither_the_sender_nor_the_listener(running):
    """It reaches both; a clock that stands still is a fault that nobody means to make."""
    for pid in (running.process.pid, running.listener):
        os.kill(pid, signal.SIGTSTP)
        assert ignores(pid, signal.SIGTSTP)
    running.process.send_signal(signal.SIGTERM)
    assert running.ended()["why"] == "SIGTERM"


@on_linux
def test_a_hang_up_that_nohup_ignores_stays_ignored_and_other_signals_are_given_back(log, port):
    """The set is ended by its listener half a second later."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    stop = signal.getsignal(signal.SIGTSTP)
    try:
        timer = threading.Timer(0.2, os.kill, (os.getpid(), signal.SIGHUP))
        timer.start()
        assert run("silent", log, port).why == "nothing to hear"
        timer.join()
        assert signal.getsignal(signal.SIGHUP) == signal.SIG_IGN
        assert signal.getsignal(signal.SIGTSTP) == stop
    finally:
        signal.signal(signal.SIGHUP, before)


def test_another_terminal_can_mark_and_end_the_set_but_not_start_a_second(running, log, port):
    control.ask(Action("mark", ("kettle on",)))
    until(lambda: "1 MarkPlaced kettle on" in running.log.read_text())
    with pytest.raises(BridgeError, match=rf"running already \(process {running.process.pid}\)"):
        run("silent", log.with_name("second.log"), port)
    control.end()
    outcome = running.ended()
    assert outcome["why"] == "tapebridge end"
    assert outcome["ticks"] > 0


@posix
def test_after_a_stall_of_the_machine_nothing_late_is_sent_and_the_grid_goes_on_in_phase(running):
    """Everything stands still for two seconds; the listener is not taken for hung."""
    for number, wait_s in ((signal.SIGSTOP, 2.0), (signal.SIGCONT, 1.0)):
        for pid in (running.process.pid, running.listener):
            os.kill(pid, number)
        time.sleep(wait_s)
    running.process.send_signal(signal.SIGTERM)
    outcome = running.ended()
    times = outcome["times"]
    steps = [(after - before) / INTERVAL_S for before, after in pairwise(times)]
    assert min(steps) > 0.45
    assert max(steps) > 1.5 / INTERVAL_S
    assert outcome["dropped"] > 1.5 / INTERVAL_S
    assert round((times[-1] - times[0]) / INTERVAL_S) == len(times) - 1 + outcome["dropped"]
    assert not any("ListenerLost" in line for line in running.log.read_text().splitlines())


def test_a_sleep_of_the_machine_is_told_and_the_clock_goes_on(log, port, monkeypatch):
    """Simulated: the boot clock steps an hour ahead of the monotonic one, on which everything goes on."""
    began = now()
    monkeypatch.setattr("bridge.edge.host_clock.suspended_s", lambda: 3600.0 if now() > began + 0.7 else 0.0)
    ended = run("steady", log, port, for_s=4.0)
    assert_clock_went_on(port, ended, at_least_s=0.5)
    assert len([line for line in log.read_text().splitlines() if line.startswith("1 HostSuspended")]) == 1


@posix
def test_a_mark_set_while_the_listener_hangs_reaches_the_next_journal(running):
    os.kill(running.listener, signal.SIGSTOP)
    control.ask(Action("mark", ("fog signal",)))
    until(lambda: "2 MarkPlaced fog signal" in running.log.read_text())
    control.end()
    running.process.wait(8)


@posix
def test_when_the_sender_is_killed_the_listener_ends_by_itself(running):
    running.process.kill()
    until(lambda: gone(running.listener), 5.0)


class Lost:
    """A listener process that is lost whenever asked for, in place of a real one."""

    said: ClassVar[list[str]] = []

    def __init__(self, listen: Listen, start: int, began: float, said: str) -> None:
        self.began, self.pid, self.gone = began, start, False
        self.said.append(said)
        self.link = self

    def send(self, message: object) -> int:
        """Take nothing in."""
        return 1

    def why_lost(self, at: float) -> str:
        """Be lost 0.1 s after the start."""
        return "exited with code 1" if at >= self.began + 0.1 else ""

    def kill(self) -> None:
        """Be gone."""


def test_a_listener_that_keeps_dying_is_started_ever_more_seldom(monkeypatch):
    monkeypatch.setattr("bridge.edge.child.Child", Lost)
    monkeypatch.setattr(Lost, "said", [])
    clock = FakeClock()
    listeners, starts = Listeners(Listen("nowhere:nothing"), clock), []
    for _ in range(3000):
        before = listeners.starts
        listeners.tend()
        if listeners.starts > before:
            starts.append(clock())
        clock.advance(0.05)
    gaps = [after - before for before, after in pairwise(starts)]
    assert gaps == pytest.approx([0.1, 1.1, 2.1, 4.1, 8.1, 16.1, 30.1, 30.1, 30.1], abs=0.11)
    told = [fact.why for fact in listeners.unheard if isinstance(fact, ListenerLost)]
    assert len(told) == len(gaps) + 1 == 10
    assert told[0] == "exited with code 1"
    assert told[1] == "exited with code 1; 2 lost soon after their start, the next starts in 1 s"
    assert told[9] == "exited with code 1; 10 lost soon after their start, the next starts in 30 s"
    assert Lost.said[:2] == ["", ""]
    assert Lost.said[9].startswith(
        "The listener was lost 9 times soon after its start (exited with code 1); the clocks go"
    )
    assert Lost.said[9].endswith("the next start is 30 s later.")


def test_a_child_tells_the_terminal_what_it_is_given_before_it_does_anything(capfd):
    child = Child(Listen("bridge.no_such_room:listen"), 3, now(), "The listener was lost 2 times")
    try:
        until(lambda: child.gone, 20.0)
        assert "The listener was lost 2 times\n" in capfd.readouterr().err
    finally:
        child.kill()


def test_facts_without_a_listener_are_bounded_oldest_first(monkeypatch):
    listeners = Listeners(Listen("nowhere:nothing"), FakeClock())
    for number in range(1500):
        listeners.post(PortLost(at=float(number), port="Pedals A", why="pulled"))
    assert len(listeners.unheard) == 1000
    assert listeners.unheard[-1].at == 1499.0
    assert listeners.dropped == 500


def test_a_child_whose_target_does_not_exist_exits_and_says_so():
    child = Child(Listen("bridge.no_such_room:listen"), 1, now())
    try:
        until(lambda: child.gone, 20.0)
        assert child.why_lost(now()) == "exited with code 1"
    finally:
        child.kill()


@posix
def test_what_is_done_by_hand_survives_a_listener_that_does_not_know_it_and_the_next_one(log, port):
    """The clock ends at once and without a Stop, whatever the listener orders, and comes back at the hand's word."""
    done: dict[str, float] = {}

    def hands() -> None:
        until(lambda: len(port.sent) > 10)
        control.ask(Action("hands off", ("long echo",)))
        control.ask(Action("keep", ("north",)))
        done["off"] = now()
        until(lambda: log.exists() and "2 standing: HandsOff TempoKept" in log.read_text())
        done["on"] = now()
        control.ask(Action("hands on", ("long echo",)))
        sent = len(port.sent)
        until(lambda: len(port.sent) > sent + 10)
        control.end()

    thread = threading.Thread(target=hands)
    thread.start()
    stage = StagePlan(decks=(Deck(name="north", channels=(1,)),), begun=("north",))
    ended = run("unaware", log, port, plan=replace(PLAN, stage=stage))
    thread.join(10)
    assert (ended.why, ended.starts) == ("tapebridge end", 2)
    assert {data for _, data in port.sent} == {b"\xf8"}
    assert not [at for at, _ in port.sent if done["off"] < at < done["on"]]
    assert len([at for at, _ in port.sent if at > done["on"]]) > 10
    lines = log.read_text().splitlines()
    for fact in ("HandsOff", "TempoKept", "HandsOn"):
        assert any(fact in line for line in lines)
