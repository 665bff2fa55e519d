"""Latency through real gear: a click that is played, or a note that is sent, and when it is heard."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bridge.edge import host_clock
from bridge.edge.port_set import said
from bridge.edge.recording import Recorded, record
from bridge.edge.round_trip import RoundTrip, play_and_hear
from bridge.errors import DeviceError
from bridge.measure.answers import Answers, answers
from bridge.measure.clicks import QUIET_S, ClickFound, find_beginning, find_click, make_click
from bridge.units import level_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.edge.audio import Input
    from bridge.edge.port_set import OutPort
    from bridge.edge.portaudio import SoundDevice

BLOCK = 256
"""Frames per block while a click is played."""

LONGEST_S = 0.4
"""An answer that takes longer than this is none, in seconds."""

APART_S = 0.6
"""Time between two tries in seconds, so that one has died away before the next."""

UNEVEN_S = 0.013
"""Each try comes so much later than the even time, over and over, so that none keeps step with a block of sound."""

BEGIN_S = 1.0
"""Silence before the first try."""

WARNINGS_DB = (-20.0, -10.0)
"""Two clicks that do not count come first, so much fainter: whoever wears headphones can take them off."""

NOTE_S = 0.1
"""How long a note is held."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickLatency:
    """What a click took.

    Attributes:
        answers: From the program out and in again.
        rate: Frames per second.
        claimed_ms: What of that the device tells of itself, in ms.
        claimed_in_ms: The inward part of that, in ms.
        block_ms: The length of a block, in ms.
        level_db: How loud it came back, in dB relative to full scale; None if it did not.
        turned: Whether it came back upside down.
        interrupted: Whether the device lost sound meanwhile.
    """

    answers: Answers
    rate: int
    claimed_ms: float
    claimed_in_ms: float
    block_ms: float
    level_db: float | None
    turned: bool
    interrupted: bool


def by_click(
    device: SoundDevice, *, output: int, input_: int, level_db: float, count: int, rate: int | None = None
) -> ClickLatency:
    """Play a click again and again, and hear when it comes back.

    Args:
        device: It plays and hears.
        output: Output that plays, counted from 1; all others are silent.
        input_: Input that hears, counted from 1.
        level_db: Peak of the click, -60..-12 dB relative to full scale.
        count: How often, 1 or more.
        rate: Frames per second; None for the device's own.

    Raises:
        DeviceError: The device lacks that output or input, refuses, or falls silent.
    """
    rate = rate or device.rate
    click = make_click(rate, level_db)
    begins = [round((BEGIN_S + APART_S * n + UNEVEN_S * (n % 7)) * rate) for n in range(len(WARNINGS_DB) + count)]
    sound = np.zeros(begins[-1] + round(APART_S * rate), np.float32)
    for n, begin in enumerate(begins):
        gain = 10.0 ** (WARNINGS_DB[n] / 20.0) if n < len(WARNINGS_DB) else 1.0
        sound[begin : begin + len(click)] = gain * click
    trip = play_and_hear(device, sound, output=output, input_=input_, rate=rate, block=BLOCK)
    return _of_clicks(trip, click, begins[len(WARNINGS_DB) :])


def _of_clicks(trip: RoundTrip, click: NDArray[np.float32], begins: list[int]) -> ClickLatency:
    reach = round(LONGEST_S * trip.rate) + len(click)
    found = [find_click(trip.heard[begin : begin + reach], click, trip.rate) for begin in begins]
    there = [one for one in found if isinstance(one, ClickFound)]
    return ClickLatency(
        answers=answers([None if one is None else one.delay_s for one in found]),
        rate=trip.rate,
        claimed_ms=1000 * trip.claimed_s,
        claimed_in_ms=1000 * trip.claimed_in_s,
        block_ms=1000 * BLOCK / trip.rate,
        level_db=float(np.median([one.level_db for one in there])) if there else None,
        turned=sum(one.turned for one in there) > len(there) / 2,
        interrupted=trip.interrupted,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteLatency:
    """What a note took.

    Attributes:
        answers: From the message to the sound at the input's jack.
        peak_db: The loudest that was heard, in dB relative to full scale.
        quiet_db: The loudest before the notes, in dB.
        lost: Frames of sound that went missing.
    """

    answers: Answers
    peak_db: float
    quiet_db: float
    lost: int


def by_note(sound: Input, port: OutPort, *, input_: int, on: bytes, off: bytes, count: int) -> NoteLatency:
    """Send a note again and again, and hear when its sound begins. The last note is ended whatever happens.

    Args:
        sound: What hears.
        port: Where the notes go.
        input_: Input that hears, counted from 1.
        on: The Note On.
        off: The Note Off.
        count: How often, 1 or more.

    Raises:
        DeviceError: The input falls silent, or the port fails.
    """
    notes = _Notes(port, on, off, count)
    with closing(notes):
        try:
            heard = record(sound, BEGIN_S + APART_S * count + UNEVEN_S * 7, notes)
        except OSError as error:
            raise DeviceError(f'The MIDI output "{port.found}" was lost: {said(error)}. Plug it in again.') from error
    return _of_notes(heard, input_ - 1, notes.sent)


class _Notes:
    """Sends each note when it is due, and its end; `close` ends one that is held.

    Attributes:
        sent: Host times of the notes, in seconds.
    """

    def __init__(
        self, port: OutPort, on: bytes, off: bytes, count: int, now: Callable[[], float] = host_clock.now
    ) -> None:
        self.sent: list[float] = []
        self._port = port
        self._off = off
        self._now = now
        self._is_held = False
        self._due: list[tuple[float, bytes]] = []
        for n in range(count):
            at = now() + BEGIN_S + APART_S * n + UNEVEN_S * (n % 7)
            self._due += [(at, on), (at + NOTE_S, off)]

    def __call__(self) -> float | None:
        while self._due and self._due[0][0] <= self._now():
            _, data = self._due.pop(0)
            at = self._now()
            self._is_held = data != self._off
            self._port.send(data)
            if self._is_held:
                self.sent.append(at)
        return self._due[0][0] if self._due else None

    def close(self) -> None:
        if self._is_held:
            with suppress(OSError):
                self._port.send(self._off)
                time.sleep(NOTE_S)  # RtMidi's JACK sends at the next period, and forgets what waits when it is closed


def _of_notes(heard: Recorded, channel: int, sent: list[float]) -> NoteLatency:
    samples = heard.samples[:, channel]
    quiet, reach = round(QUIET_S * heard.rate), round(LONGEST_S * heard.rate)
    delays: list[float | None] = []
    for at in sent:
        frame = heard.frame_at(at)
        part = samples[max(0, frame - quiet) : frame + reach]
        told = find_beginning(part, quiet, heard.rate) if frame >= quiet and len(part) > quiet else None
        delays.append(None if told is None else heard.time_of(frame + told * heard.rate) - at)
    before = samples[: max(1, heard.frame_at(sent[0]))] if sent else samples
    return NoteLatency(
        answers=answers(delays or [None]), peak_db=_peak_db(samples), quiet_db=_peak_db(before), lost=heard.lost
    )


def _peak_db(samples: NDArray[np.float32]) -> float:
    return level_db(float(np.abs(np.nan_to_num(samples)).max(initial=0.0)))
