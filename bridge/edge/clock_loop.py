"""A MIDI clock over a cable from an output to an input, sent as a set sends it: when each tick was due, and came."""

from __future__ import annotations

import time
from contextlib import closing
from dataclasses import replace
from functools import partial

from bridge.edge import host_clock
from bridge.edge.midi import MidiSystem
from bridge.edge.midi_in import Came, MidiInput
from bridge.edge.port_process import PortProcesses
from bridge.errors import DeviceError
from bridge.events import PortLost, PortOpened, TicksDropped
from bridge.measure.clock import FEWEST, ClockHeard, clock_heard
from bridge.units import tick_interval_s

CLOCK = b"\xf8"
"""Source: MIDI 1.0 Detailed Specification, Timing Clock."""

TEMPI = (120.0, 97.0)
"""Half of the ticks go out at each, in bpm: a change tells which tick is which, should the first ones be lost."""

READY_S = 15.0
"""An output has so long to open, in seconds."""

BEGIN_S = 0.5
"""Silence before the first tick, in seconds."""

AHEAD_S = 0.2
"""Ticks are handed to the output's own process so long before they are due, in seconds."""

PATIENCE_S = 2.0
"""An output that takes nothing for so long is lost, in seconds; what it did not take meanwhile was not sent."""

STRAGGLERS_S = 0.5
"""The last ticks have so long to come, in seconds."""


def measure_clock(input_name: str, output_name: str, *, seconds: float, api: str | None = None) -> ClockHeard:
    """Send a clock and hear it come in.

    Args:
        input_name: Exact name, or a unique part of it, of the input.
        output_name: The output, as a rig would name it.
        seconds: How long, 1 or more.
        api: "alsa", "jack", "coremidi" or "windows"; None for the first that works.

    Raises:
        DeviceError: A port is absent, ambiguous, or fails.
        ValueError: ``seconds`` is below 1.
    """
    if not seconds >= 1:
        raise ValueError(f"a clock must be heard for 1 s or more, got {seconds!r}")
    with (
        MidiInput(input_name, api) as came_in,
        closing(PortProcesses([output_name], partial(MidiSystem, api), host_clock.now)) as ports,
    ):
        _wait_until_open(ports, output_name)
        came_in.take()
        sent = _send(ports, output_name, seconds)
        time.sleep(STRAGGLERS_S)
        ports.tend()
        dropped = sum(fact.count for fact in ports.take_facts() if isinstance(fact, TicksDropped))
        told = clock_heard(sent, arrivals([one for one in came_in.take() if one.data == CLOCK]))
        return replace(told, dropped=dropped)


def arrivals(came: list[Came]) -> list[float]:
    """Return the host times in seconds at which messages reached the driver.

    Where the driver stamps messages, its stamps are as good as the hardware gives them, and are laid against host time
    where this process was least late. Where it stamps nothing, this process's own times stand.
    """
    if not any(one.gap_s > 0 for one in came):
        return [one.at for one in came]
    stamps, at = [], 0.0
    for index, one in enumerate(came):
        at += one.gap_s if index else 0.0
        stamps.append(at)
    offset = min(one.at - stamp for one, stamp in zip(came, stamps, strict=True))
    return [stamp + offset for stamp in stamps]


def _wait_until_open(ports: PortProcesses, name: str) -> None:
    give_up = host_clock.now() + READY_S
    while host_clock.now() < give_up:
        ports.tend()
        for fact in ports.take_facts():
            if isinstance(fact, PortOpened):
                return
            if isinstance(fact, PortLost):
                raise DeviceError(fact.why.removeprefix("not ready: "))
        time.sleep(0.02)
    raise DeviceError(f'The MIDI output "{name}" did not open within {READY_S:g} s.')


def _send(ports: PortProcesses, name: str, seconds: float) -> list[float]:
    """Send the ticks, and return when each was due, in seconds of host time."""
    at = begin = host_clock.now() + BEGIN_S
    sent = []
    while at < begin + seconds:
        while at - host_clock.now() > AHEAD_S:
            time.sleep(0.01)
            ports.tend()
        if ports.send(name, CLOCK, at):
            sent.append(at)
        elif at - (sent or [begin])[-1] > PATIENCE_S:
            why = [fact.why for fact in ports.take_facts() if isinstance(fact, PortLost)]
            raise DeviceError(f'The MIDI output "{name}" was lost: {"; ".join(why) or "it takes nothing more"}.')
        at += tick_interval_s(TEMPI[at > begin + seconds / 2])
    while host_clock.now() < at:
        time.sleep(0.01)
        ports.tend()
    if len(sent) < FEWEST:
        raise DeviceError(f'The MIDI output "{name}" took only {len(sent)} ticks. Unplug it, and plug it in again.')
    return sent
