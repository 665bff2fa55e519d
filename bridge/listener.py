"""The child process: it hears, follows, tells the sender what the pedals need, and writes everything down.

It owns the terminal, the sound input and the take's folder. When the sender asks, or is gone, it ends the take in
order; when it is lost itself, the sender goes on at the last tempo and starts another, which carries the take on.
"""

from __future__ import annotations

import os
import sys
import time
from contextlib import ExitStack
from pathlib import Path

from bridge.edge.audio import FileInput, Input, SoundEnded, open_input
from bridge.edge.host_clock import now, wall
from bridge.edge.link import EndAsked, Link, PortsGone, Standing
from bridge.edge.live_input import InputHangsError
from bridge.edge.osc import OscOut
from bridge.engine import DeckStatus, Engine
from bridge.errors import DeviceError, TakeError
from bridge.events import (
    DeckChanged,
    Fact,
    FollowerChanged,
    ListenerStarted,
    PedalTold,
    SoundHeard,
    SoundKept,
    SoundLost,
    SoundNotKept,
    TakeEnded,
    WallClockRead,
)
from bridge.events_foot import StageStands
from bridge.events_hand import Hand, Told
from bridge.events_host import HostSuspended
from bridge.journal.feature_writer import FeatureWriter
from bridge.journal.sound import SoundWriter
from bridge.journal.take import JOURNAL, take_started
from bridge.journal.writer import JournalWriter
from bridge.rig import Rig
from bridge.screen import Screen, tell
from bridge.weights import learned

READ_S = 0.05
"""How often a word of the sender is listened for."""

GATHER_S = 0.02
"""Sound is left to gather for so long before it is heard.

After each wait caches are cold: a hop costs more than twice what it costs without waiting, and less the more blocks are
heard at a time (``python -m tests.bench.follow``). A beat is placed 40 ms ahead of its time, and a pedal is told four
times a second: neither comes too late by this.
"""

WALL_EVERY_S = 60.0
"""Wall time is written down this often."""

STANDS_EVERY_S = 0.25
"""How often the sender is told how the decks stand; changes at once."""

RETRY_S = 1.0
"""An absent sound device is looked for this often."""


def listen(
    link: Link,
    start: int,
    rig: Rig,
    folder: Path,
    title: str,
    tape: tuple[Path, float] | None = None,
    began_at: float | None = None,
) -> None:
    """Run one listener until the sender asks for the end, or is gone.

    Args:
        link: The link to the sender; closed at the end.
        start: 1 for the first listener of the take, 2 for the next, and so on.
        rig: What is plugged in.
        folder: The take's folder, which exists.
        title: What runs, for the terminal.
        tape: A sound file to hear instead of the rig's device, and the host time at which it begins.
        began_at: Host time at which the take began, in seconds; None for now.

    Raises:
        SystemExit: With 1, once the terminal was told so: the journal cannot be opened, or facts were not written.
    """
    try:
        with ExitStack() as stack:
            stack.callback(link.close)
            journal = stack.enter_context(JournalWriter(folder / JOURNAL))
            screen = stack.enter_context(Screen(rig, title, now() if began_at is None else began_at))
            osc = OscOut(rig.osc) if rig.osc is not None else None
            if osc is not None:
                stack.callback(osc.close)
            _Listener(link, start, rig, folder, journal, screen, osc).run(stack, tape)
    except TakeError as error:
        tell(str(error))
        sys.exit(1)


_Columns = slice | list[int]


def _columns(inputs: tuple[int, ...]) -> _Columns:
    """Return where inputs lie in a block; as a slice, which copies nothing, if they lie in a row."""
    in_a_row = inputs[-1] - inputs[0] + 1 == len(inputs)
    return slice(inputs[0] - 1, inputs[-1]) if in_a_row else [channel - 1 for channel in inputs]


class _Listener:
    def __init__(
        self,
        link: Link,
        start: int,
        rig: Rig,
        folder: Path,
        journal: JournalWriter,
        screen: Screen,
        osc: OscOut | None,
    ) -> None:
        self._link = link
        self._start = start
        self._rig = rig
        self._folder = folder
        self._journal = journal
        self._screen = screen
        self._osc = osc
        self._why = ""
        self._wall_at = 0.0
        self._told: dict[str, PedalTold] = {}
        self._hands: list[Hand | Told] = []  # done before there was an engine
        self._engine: Engine | None = None
        self._keepers: list[tuple[SoundWriter, _Columns]] = []  # of the decks' channels, and of dry taps
        self._features: FeatureWriter | None = None
        self._kept_decks = tuple(next(d.name for d in rig.decks if c in d.channels) for c in rig.channels)
        self._kept_to = -1
        self._place_at = 0.0

    def run(self, stack: ExitStack, tape: tuple[Path, float] | None) -> None:
        """Wait for the sound, hear it until the end, and say how the take ended."""
        if self._start == 1:
            self._say(take_started(self._rig, self._folder, now(), wall()))
        self._attend(())  # what an earlier listener told the pedals waits there, before anything is heard
        source = (
            self._wait_for_sound()
            if tape is None
            else FileInput(tape[0], "live", block=self._rig.sound.block, begin_at=tape[1])
        )
        if source is not None:
            stack.enter_context(source)
            decks = [(deck.name, [channel - 1 for channel in deck.channels]) for deck in self._rig.decks]
            self._features = stack.enter_context(FeatureWriter(self._folder, source.rate, decks, self._start))
            if self._rig.take.sound:
                self._keep_sound(stack, source.rate)
            self._say(
                ListenerStarted(at=now(), pid=os.getpid(), start=self._start, rate=source.rate, source=source.source)
            )
            try:
                self._hear(source)
            except InputHangsError as error:  # leave without an end: the sender starts a fresh listener
                self._say(SoundLost(at=now(), frames=0, why=str(error)))
                return
        self._say(TakeEnded(at=now(), why=self._why))
        self._link.vouch()

    def _wait_for_sound(self) -> Input | None:
        """Open the input; while it is absent say so once, and look for it again every second."""
        said = ""
        while not self._why:
            try:
                return open_input(self._rig.sound, self._rig.inputs)
            except DeviceError as error:
                if str(error) != said:
                    said = str(error)
                    self._say(SoundLost(at=now(), frames=0, why=said))
            again = now() + RETRY_S
            while not self._why and now() < again:
                time.sleep(READ_S)
                self._attend(())
        return None

    def _hear(self, source: Input) -> None:
        engine = Engine(self._rig, source.rate, learned())
        for told in self._told.values():
            engine.resume(told)
        self._engine = engine
        self._obey(tuple(self._hands))
        attend_at = stands_at = now()
        while not self._why:
            event = source.read(0.0)
            if isinstance(event, SoundHeard):
                self._keep(event)
                facts = engine.handle(event)
                self._say_all(facts)
                if event.at >= stands_at or any(isinstance(fact, FollowerChanged | DeckChanged) for fact in facts):
                    stands_at = event.at + STANDS_EVERY_S
                    self._tell_stands(engine)
            elif isinstance(event, SoundEnded):
                time.sleep(READ_S)
            elif event is not None:
                self._say(event)
            else:
                time.sleep(GATHER_S)
            if (at := now()) >= attend_at:
                attend_at = at + READ_S
                self._attend(engine.status)

    def _tell_stands(self, engine: Engine) -> None:
        for stands in engine.stands:
            self._link.send(stands)

    def _keep_sound(self, stack: ExitStack, rate: int) -> None:
        sound = SoundWriter(self._folder, rate, len(self._rig.channels), self._start)
        self._keepers = [(stack.enter_context(sound), _columns(self._rig.channels))]
        if self._rig.taps:
            tap = SoundWriter(self._folder, rate, len(self._rig.taps), self._start, "tap")
            self._keepers.append((stack.enter_context(tap), _columns(self._rig.taps)))

    def _keep(self, event: SoundHeard) -> None:
        """Have the inputs that the rig names recorded, until the disk refuses, and what the decks sounded like."""
        if self._features is not None:
            self._features.write(event.frame, event.at, event.samples)
        if not self._keepers:
            return
        if event.frame != self._kept_to or event.at >= self._place_at:
            self._place_at = event.at + WALL_EVERY_S
            self._say(SoundKept(at=event.at, frame=event.frame, decks=self._kept_decks))
        self._kept_to = event.frame + len(event.samples)
        for keeper, columns in self._keepers:
            keeper.write(event.frame, event.samples[:, columns])
        failure = next((keeper.failure for keeper, _ in self._keepers if keeper.failure is not None), None)
        if failure is not None:  # they share the disk: it is told once, and without one the other replays nothing
            self._say(SoundNotKept(at=now(), why=failure))
            self._keepers = []

    def _attend(self, decks: tuple[DeckStatus, ...]) -> None:
        """Show what goes on, give a sign of life, and do what the sender says."""
        at = now()
        self._screen.draw(at, decks)
        if at >= self._wall_at:
            self._wall_at = at + WALL_EVERY_S
            self._say(WallClockRead(at=at, wall=wall()))
        self._link.keep_alive(at)
        for message in self._link.receive():
            if isinstance(message, EndAsked):
                self._why = message.why
            elif isinstance(message, PedalTold):  # what an earlier listener told: known to the journal already
                self._told[message.pedal] = message
                self._screen.take_over(message)
                if self._engine is not None:  # it came behind many facts
                    self._engine.resume(message)
            elif isinstance(message, PortsGone):
                self._screen.show_gone(message.ports)
            elif isinstance(message, Standing):  # what was done while an earlier listener was there
                self._obey(message.hands)
            elif isinstance(message, StageStands):
                self._screen.show_stage(message.lines)
            elif isinstance(message, Fact):
                self._say(message)
                if isinstance(message, Hand | Told):
                    self._obey((message,))
                    if self._engine is not None:
                        self._tell_stands(self._engine)
                elif isinstance(message, HostSuspended) and self._engine is not None:
                    self._engine.lose_phase()
        if self._link.closed and not self._why:
            self._why = f"the sender was lost: {self._link.why_closed}"

    def _obey(self, hands: tuple[Hand | Told, ...]) -> None:
        """Let the engine know what was done by hand, now or once there is one."""
        if self._engine is None:
            self._hands += hands
            return
        for hand in hands:
            self._say_all(self._engine.obey(hand))

    def _say_all(self, facts: list[Fact]) -> None:
        """Say what the engine found, and have the sender do what it orders."""
        for fact in facts:
            self._say(fact)
            if isinstance(fact, PedalTold):
                self._link.send(fact)

    def _say(self, fact: Fact) -> None:
        """Write a fact down, show it and send it out."""
        self._journal.write(fact)
        self._screen.note(fact)
        if self._osc is not None:
            self._osc.send(fact)
