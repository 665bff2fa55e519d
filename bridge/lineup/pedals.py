"""What a pedal is asked in a line-up, and what its echo tells: the time that was asked, another one, or none."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from bridge.lineup.findings import Finding
from bridge.measure.echoes import Echo, echo_of, echo_within
from bridge.measure.levels import level
from bridge.rig import DIVISIONS, Deck, Pedal
from bridge.units import TEMPO_MAX, TEMPO_MIN

Sound = NDArray[np.floating]

ASKED_MS = 430.0
"""The delay time that is asked, where a pedal's limits allow it: hardly any tape has a beat of 139.5 bpm."""

LONGEST_S = 2.0
"""Echoes are looked for up to here, in seconds."""

NEAR = 0.03
"""An echo that is this near to what was asked, as a share of it, is right."""

SILENT_DB = -60.0
"""An input below this, in dB relative to full scale, holds no echo; a deck below it plays nothing."""

RATE = 16_000
"""Sound is thinned to about so many frames per second: an echo needs no more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What a pedal is asked.

    Attributes:
        tempo: Tempo of its clock, in bpm.
        beats: Its delay time in beats of that clock.
        delay_ms: Its delay time in ms.
    """

    tempo: float
    beats: float
    delay_ms: float


def ask(pedal: Pedal) -> Ask:
    """Return what to ask of a pedal: a delay time as near to `ASKED_MS` as its limits allow.

    Where its delay times and tempi exclude each other, the tempo is one that it takes.
    """
    division = pedal.times.division if pedal.times is not None else pedal.division
    beats = float(division)
    delay_ms = min(max(ASKED_MS, pedal.delay_ms[0]), pedal.delay_ms[1])
    slowest, fastest = max(pedal.tempo[0], TEMPO_MIN), min(pedal.tempo[1], TEMPO_MAX)
    tempo = min(max(60_000 * beats / delay_ms, slowest), fastest)
    return Ask(tempo=tempo, beats=beats, delay_ms=60_000 * beats / tempo)


def of_echo(pedal: Pedal, deck: Deck, asked: Ask, sound: Sound, rate: int) -> Finding:
    """Return what the echo of a pedal tells, at whichever input its return is heard.

    Args:
        pedal: The pedal.
        deck: The deck that plays into it.
        asked: What it was asked.
        sound: Shape (frames, channels), all inputs of the device, 6 s or more, while it was told.
        rate: Frames per second.
    """
    thin = _thinned(sound, rate)
    thin_rate = rate / max(1, rate // RATE)
    loud = {channel: level(thin[:, channel - 1], round(thin_rate)).loud_db for channel in deck.channels}
    dry = max(loud, key=lambda channel: loud[channel])
    if loud[dry] < SILENT_DB:
        return Finding(
            where=pedal.name,
            what="echo",
            well="open",
            said=f"{deck.name} was not heard, so there was nothing to echo",
            todo=f"Play {deck.name} into {pedal.name}, and walk through it again",
        )
    found = _loudest_echo(thin, round(thin_rate), dry, asked)
    if found is None:
        return Finding(
            where=pedal.name,
            what="echo",
            well="open",
            said="its return is heard at no input, so its time is not measured",
            todo="Nothing, if the echo sounded right. To have it measured, plug its return into a free input",
        )
    channel, echo = found
    return _judged(pedal, asked, 1000 * echo.time_s, channel)


def _loudest_echo(sound: Sound, rate: int, dry: int, asked: Ask) -> tuple[int, Echo] | None:
    """Return the input at which an echo stands out most, and the echo."""
    near = (0.94 * asked.delay_ms / 1000, min(LONGEST_S, 1.06 * asked.delay_ms / 1000))
    longest_s = max(LONGEST_S, 1.1 * near[1]) if len(sound) >= 3.3 * near[1] * rate else LONGEST_S
    found = {}
    for index in range(sound.shape[1]):
        if level(sound[:, index], rate).loud_db < SILENT_DB:
            continue
        if index == dry - 1:
            echo = echo_within(sound[:, index], rate, longest_s, near)
        else:
            echo = echo_of(sound[:, dry - 1], sound[:, index], rate, longest_s)
        if echo is not None:
            found[index + 1] = echo
    return max(found.items(), key=lambda item: item[1].clear, default=None)


def _judged(pedal: Pedal, asked: Ask, heard_ms: float, channel: int) -> Finding:
    said = f"{heard_ms:.0f} ms on input {channel}, asked for {asked.delay_ms:.0f} ms"
    if abs(heard_ms - asked.delay_ms) <= NEAR * asked.delay_ms:
        return Finding(where=pedal.name, what="echo", well="well", said=said)
    if pedal.times is not None:
        todo = f"Measure its points again: told {asked.delay_ms:.0f} ms, it plays {heard_ms:.0f} ms"
        return Finding(where=pedal.name, what="echo", well="look", said=said, todo=todo)
    beats = heard_ms / 60_000 * asked.tempo
    for name, division in DIVISIONS.items():
        if abs(beats - division) <= NEAR * division:
            todo = f'Turn its knob to {_named(asked.beats)}, or write division = "{name}" for it'
            return Finding(where=pedal.name, what="echo", well="look", said=f"{said}: it plays {name}", todo=todo)
    return Finding(
        where=pedal.name,
        what="echo",
        well="look",
        said=said,
        todo="It does not follow. See that it is set to its clock or tap input, that the MIDI cable goes to its input, "
        "and that channel and port are its own",
    )


def _named(beats: float) -> str:
    return next((name for name, division in DIVISIONS.items() if abs(division - Fraction(beats)) < 1e-6), f"{beats:g}")


def _thinned(sound: Sound, rate: int) -> Sound:
    """Return every n-th frame, after the mean of n: good enough below a third of what is left."""
    factor = max(1, rate // RATE)
    whole = np.nan_to_num(sound[: len(sound) // factor * factor])
    return np.asarray(whole.reshape(-1, factor, sound.shape[1]).mean(axis=1))
