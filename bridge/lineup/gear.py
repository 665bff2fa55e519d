"""The gear of a line-up: every input of the sound device, and every output that reaches a pedal."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from types import TracebackType
from typing import TYPE_CHECKING, Self

import numpy as np

from bridge.edge import devices, host_clock, portaudio
from bridge.edge.audio import open_input
from bridge.edge.outputs import Outputs
from bridge.edge.port_process import PortProcesses
from bridge.edge.recording import record
from bridge.errors import DeviceError
from bridge.events import PedalTold, PortLost, PortOpened, SoundHeard
from bridge.lineup.pedals import Ask
from bridge.lineup.walk import Heard
from bridge.rig import Pedal, Rig
from bridge.send.plan import SendPlan
from bridge.send.schedule import Schedule

if TYPE_CHECKING:
    from bridge.edge.live_input import LiveInput

MOST_INPUTS = 32
"""So many inputs are listened to, or as many as the decks need: a pedal's return may be at any of them."""

READY_S = 10.0
"""An output has so long to open, in seconds."""

AHEAD_S = 0.05
"""What is due is handed to the outputs so long before, in seconds."""

RELEASE_S = 0.4
"""What was begun has so long to end, in seconds."""


class Gear:
    """The sound device and the outputs of a rig. Use it in a ``with`` statement.

    Args:
        rig: The rig.
        each: Sees each block that is heard, such as a meter.

    Attributes:
        deaf: Why nothing can be heard; empty if it can.
    """

    def __init__(self, rig: Rig, each: Callable[[SoundHeard], None] | None = None) -> None:
        self.deaf = ""
        self._each = each
        self._stack = ExitStack()
        self._sound: LiveInput | None = None
        self._lost: dict[str, str] = {}
        self._opened: set[str] = set()
        self._plans = {pedal.name: _plan_of(rig, pedal) for pedal in rig.pedals}
        plan = SendPlan.of(rig)
        try:
            self._sound = self._stack.enter_context(_open_all(rig))
        except DeviceError as error:
            self.deaf = str(error)
        self._ports = PortProcesses(
            [port.name for port in plan.ports], partial(Outputs, plan.api, plan.virtual), host_clock.now
        )
        self._stack.callback(self._ports.close)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def mute(self, pedal: Pedal) -> str:
        """Return why a pedal cannot be reached; empty if it can. Waits for outputs that are being opened."""
        names = [port.name for port in self._plans[pedal.name].ports]
        if not names:
            return "It has no output. Give it a port, or write an [osc] table for what it is told by OSC"
        give_up = host_clock.now() + READY_S
        while host_clock.now() < give_up:
            self._tend()
            if all(name in self._opened for name in names):
                return ""
            if why := [self._lost[name] for name in names if name in self._lost]:
                return why[0]
            time.sleep(0.02)
        return f'The output "{names[0]}" did not open. Unplug it and plug it in again'

    def hear(self, seconds: float, pedal: Pedal | None = None, asked: Ask | None = None) -> Heard:
        """Listen for so many seconds, and meanwhile tell a pedal what it is asked.

        Raises:
            DeviceError: The sound device fell silent.
        """
        teller = None if pedal is None or asked is None else _Teller(self._plans[pedal.name], pedal, asked, self._ports)
        try:
            if self._sound is None:
                end = host_clock.now() + seconds
                while (at := host_clock.now()) < end:
                    due = teller.turn() if teller is not None else end
                    time.sleep(max(0.0, min(due, end, at + AHEAD_S) - at))
                return Heard(samples=np.zeros((1, MOST_INPUTS), np.float32), rate=48_000)
            heard = record(self._sound, seconds, teller.turn if teller is not None else None, self._each)
            return Heard(samples=heard.samples, rate=heard.rate, lost=heard.lost)
        finally:
            if teller is not None:
                teller.end()

    def _tend(self) -> None:
        self._ports.tend()
        for fact in self._ports.take_facts():
            if isinstance(fact, PortOpened):
                self._opened.add(fact.port)
                self._lost.pop(fact.port, None)
            elif isinstance(fact, PortLost):
                self._opened.discard(fact.port)
                self._lost[fact.port] = fact.why.removeprefix("not ready: ")


class _Teller:
    """Tells one pedal one tempo, as a set would tell it."""

    def __init__(self, plan: SendPlan, pedal: Pedal, asked: Ask, ports: PortProcesses) -> None:
        at = host_clock.now() + 2 * AHEAD_S
        self._ports = ports
        self._schedule = Schedule(plan, at)
        ratio = float(pedal.ratio)
        told = PedalTold(
            at=at, pedal=pedal.name, deck=pedal.listens_to, tempo=asked.tempo, ratio=ratio, why="begin", beats=0.0
        )
        self._schedule.take(told, at)

    def turn(self) -> float:
        """Hand over what is due soon; return when to be called again, in seconds of host time."""
        self._ports.tend()
        while (due := self._schedule.next_due()) <= (at := host_clock.now()) + AHEAD_S:
            for message in self._schedule.due(max(due, at)).messages:
                self._ports.send(message.port, message.data, message.at, message.undo, message.until, message.undo_at)
        return due - AHEAD_S / 2

    def end(self) -> None:
        """End its clock, and open what is held."""
        self._schedule.end(host_clock.now() + AHEAD_S)
        give_up = host_clock.now() + RELEASE_S
        while self.turn() < give_up and host_clock.now() < give_up:
            time.sleep(AHEAD_S / 4)


def _plan_of(rig: Rig, pedal: Pedal) -> SendPlan:
    """Return the plan of one pedal alone, whose clock begins when it is told."""
    return SendPlan.of(replace(rig, pedals=(replace(pedal, begin_tempo=None),)))


def _open_all(rig: Rig) -> LiveInput:
    """Open as many inputs as there are; or, where the device refuses that, those that the decks need."""
    needed = rig.inputs
    device = devices.resolve_device(rig.sound.device, portaudio.sound_devices())
    wanted = max(needed, min(device.channels, MOST_INPUTS))
    try:
        return open_input(rig.sound, wanted)
    except DeviceError:
        if wanted == needed:
            raise
        return open_input(rig.sound, needed)
