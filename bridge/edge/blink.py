"""Find out which of several identical MIDI interfaces is which, by its light."""

from __future__ import annotations

import time
from collections.abc import Callable

from bridge.edge import midi
from bridge.edge.plugged import place_of

BLINK = bytes([0xF0, 0x7D, *bytes(13), 0xF7])
"""A System Exclusive message under the identifier that MIDI reserves for non-commercial use: for no device there is.

A receiver has to ignore what is not under its own identifier, so this plays, clocks, starts and stops nothing. (Active
Sensing would: who hears it once falls silent when it stays out.) On the cable it lasts 5 ms, which any light shows.
Source: MIDI 1.0 Detailed Specification, System Exclusive and Manufacturer's IDs.
"""

EVERY_S = 0.1
"""Time between two of them, in seconds."""


def blink(name: str, say: Callable[[str], None], *, api: str | None = None, for_s: float = 5.0) -> None:
    """Make the lights of all outputs flicker that a rig may mean by ``name``, one after another.

    Args:
        name: What the rig says.
        say: Told which one flickers, and how a rig names it.
        api: As in `bridge.edge.midi.MidiSystem`.
        for_s: How long each is to flicker, in seconds.

    Raises:
        DeviceError: No output is so called, one cannot be opened, or a set has it.
    """
    outputs = midi.outputs(api)
    matches = midi.all_matching(name, outputs)
    for number, index in enumerate(matches, 1):
        same = [other for other, output in enumerate(outputs) if output == outputs[index]]
        unique = outputs[index] if len(same) == 1 else f"{outputs[index]} #{same.index(index) + 1}"
        place = str(place_of(outputs[index]))
        say(f'{number} of {len(matches)}: port = "{unique}"{f" ({place})" if place else ""}')
        _flicker(unique, api, for_s)


def _flicker(name: str, api: str | None, for_s: float) -> None:
    system = midi.MidiSystem(api)
    try:
        port = system.open(name)
        end = time.monotonic() + for_s
        while time.monotonic() < end:
            port.send(BLINK)
            time.sleep(EVERY_S)
        port.close()
    finally:
        system.close()
