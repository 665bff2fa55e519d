"""The rehearsal: the built-in set through the engine, sender, journal and review of a live set, without hardware.

In real time it is a live set whose sound comes from a file and whose MIDI outputs are simulated pedals: this process
becomes the sender and has the listener as its child. ``--fast`` runs the same engine, schedule, journal and review
under injected time in one process; the sender process has no part in it, and the report says so.
"""

from __future__ import annotations

import dataclasses
import os
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import soundfile

from bridge.edge import control
from bridge.edge.host_clock import now, wall
from bridge.engine import Engine
from bridge.errors import BridgeError
from bridge.events import Fact, ListenerStarted, PedalTold, SoundHeard, TakeEnded
from bridge.journal.take import JOURNAL, take_started
from bridge.journal.writer import JournalWriter
from bridge.live import begin_take, play
from bridge.review.page import write_review
from bridge.review.read import read_take
from bridge.rig import Rig
from bridge.send.plan import SendPlan
from bridge.send.schedule import Schedule
from bridge.testing.clock import FakeClock
from bridge.testing.night import Night, build_night
from bridge.testing.ports import ListPort
from bridge.testing.score import Score, score
from bridge.weights import learned

BLOCK = 480
"""Frames a block of the fast run: 10 ms."""

LEAD_S = 4.0
"""The tape begins so long after the start, so that the listener is up."""

TAIL_S = 0.5
"""The set goes on so long after the tape's end."""

_RIG = """
[sound]
rate = 48000
latency_ms = 0

[[decks]]
name = "north"
channels = [1]
tempo_range = [40, 130]

[[decks]]
name = "south"
channels = [2]
tempo_range = [40, 130]

[[pedals]]
name = "long echo"
port = "Pedals A"
listens_to = "north"

[[pedals]]
name = "short echo"
port = "Pedals B"
listens_to = "north"
ratio = "2/1"

[midi]
virtual = ["Pedals A", "Pedals B"]

[take]
name = "rehearsal"
"""
"""`bridge.testing.night.built_in_rig` as a file: a take has its rig with it."""


class Hears(Protocol):
    """What hears in a rehearsal: `bridge.engine.Engine`, or a test's stand-in for it."""

    def handle(self, event: SoundHeard) -> list[Fact]:
        """Return what a block of sound shows to have happened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsed:
    """What came of a rehearsal.

    Attributes:
        how: Which way it ran, in words.
        folder: The take's folder.
        score: How well the set was followed.
    """

    how: str
    folder: Path
    score: Score


def rehearse_fast(
    seed: int,
    folder: Path,
    *,
    engine: Callable[[Rig, int], Hears] = lambda rig, rate: Engine(rig, rate, learned()),
    progress: Callable[[float], None] = lambda share: None,
) -> Rehearsed:
    """Run the built-in set as fast as the machine can.

    Args:
        seed: Which night.
        folder: Folder in which the take lands.
        engine: What hears; a test gives one that is deaf.
        progress: Called with the share that is done, 0..1.

    Raises:
        TakeError: The take cannot be written.
    """
    night = _night(seed, folder)
    take = begin_take(night.rig, _rig_text(seed))
    clock = FakeClock()
    ports = {port.name: ListPort(clock) for port in SendPlan.of(night.rig).ports}
    with JournalWriter(take / JOURNAL) as journal:
        for fact in _fast(night, engine(night.rig, night.rate), clock, ports, take, progress):
            journal.write(fact)
    how = "as fast as the machine can, under injected time, without the sender process"
    return _rehearsed(night, take, write_review(take), ports, 0.0, how)


def rehearse_live(seed: int, folder: Path) -> Rehearsed:
    """Play the built-in set in real time, with the sender, the listener and the terminal of a live set.

    Args:
        seed: Which night.
        folder: Folder in which the take lands.

    Raises:
        TakeError: The take cannot be written.
        BridgeError: A set is running already, or this one was ended before its tape.
    """
    control.refuse_second()  # before the tapes are made
    night = _night(seed, folder)
    ports: dict[str, ListPort] = {}

    def open_port(name: str) -> ListPort:
        return ports.setdefault(name, ListPort(now, f"simulated pedal on {name}"))

    with tempfile.TemporaryDirectory(prefix="tapebridge-") as scratch:
        tape = Path(scratch) / "night.wav"
        soundfile.write(tape, night.sound, night.rate, subtype="FLOAT")
        begin_at = now() + LEAD_S
        played = play(
            night.rig,
            _rig_text(seed),
            f"Tape Bridge rehearses night {seed}",
            for_s=LEAD_S + night.truth.length_s + TAIL_S,
            open_port=open_port,
            tape=(tape, begin_at),
        )
        ended_at = now()
    if ended_at < begin_at + night.truth.length_s:
        raise BridgeError(f"Ended early ({played.ended.why}): not scored. Review: {played.review}")
    how = f"in real time, with the sender process (priority: {played.ended.priority})"
    return _rehearsed(night, played.folder, played.review, ports, begin_at, how)


def _fast(
    night: Night,
    engine: Hears,
    clock: FakeClock,
    ports: dict[str, ListPort],
    take: Path,
    progress: Callable[[float], None],
) -> Iterator[Fact]:
    """Play the night block by block, sending every tick at its time, and yield the facts."""
    schedule = Schedule(SendPlan.of(night.rig), clock())
    yield take_started(night.rig, take, clock(), wall())
    yield ListenerStarted(at=clock(), pid=os.getpid(), start=1, rate=night.rate, source="the simulated tapes")
    for frame in range(0, len(night.sound), BLOCK):
        samples = night.sound[frame : frame + BLOCK]
        end_at = (frame + len(samples)) / night.rate
        while schedule.next_due() <= end_at:
            clock.advance_to(schedule.next_due())
            due = schedule.due(clock())
            for message in due.messages:
                ports[message.port].send(message.data)
            yield from due.facts
        clock.advance_to(end_at)
        for fact in engine.handle(SoundHeard(frame=frame, at=frame / night.rate, samples=samples)):
            yield fact
            if isinstance(fact, PedalTold):
                schedule.take(fact, clock())
        progress(end_at / night.truth.length_s)
    yield TakeEnded(at=clock(), why="the night was over")


def _rehearsed(
    night: Night, take: Path, review: Path, ports: dict[str, ListPort], begin_at: float, how: str
) -> Rehearsed:
    """Score a take against what the night hid."""
    log = {pedal.name: ports[pedal.port].sent for pedal in night.rig.pedals if pedal.port in ports}
    facts = read_take(take).facts
    return Rehearsed(how=how, folder=take, score=score(night.truth, log, facts, begin_at, review))


def _night(seed: int, folder: Path) -> Night:
    night = build_night(seed)
    take = dataclasses.replace(night.rig.take, folder=str(folder))
    return dataclasses.replace(night, rig=dataclasses.replace(night.rig, take=take))


def _rig_text(seed: int) -> str:
    return f"# The built-in set, night {seed}: tapebridge rehearse --seed {seed}\n{_RIG}"
