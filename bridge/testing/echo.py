"""The sound of a delay pedal: a line of sound whose length glides, with feedback; and the loop that closes through it.

`DelayLine` is the pedal's sound, `bridge.testing.pedals.DelayPedal` its ear for the clock. `EchoLoop` joins both to an
engine and a schedule: what the pedal plays comes back to the engine's input, and its delay follows the engine's clock,
as it does when only the mixer's main output can be heard.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from bridge.events import Fact, PedalTold, SoundHeard
from bridge.rig import Rig
from bridge.send.plan import SendPlan
from bridge.send.schedule import Schedule
from bridge.testing.pedals import DelayPedal

LONGEST_S = 4.0
"""Longest delay of a line, in seconds."""

Handle = Callable[[SoundHeard], list[Fact]]
"""What hears: `bridge.engine.Engine.handle`."""


class DelayLine:
    """A delay line with feedback, read between its frames, so that its time may glide.

    With a time that changes by dD/dt the first repeat is bent by the ratio 1 - dD/dt, the n-th by about n times that.

    Args:
        rate: Frames per second.
        feedback: How much of the output goes in again, 0..0.95.

    Raises:
        ValueError: A value is out of range.
    """

    def __init__(self, rate: int, feedback: float) -> None:
        if not 0.0 <= feedback <= 0.95:
            raise ValueError(f"feedback must be 0..0.95, got {feedback!r}")
        self._rate = rate
        self._feedback = feedback
        self._line = np.zeros(int((LONGEST_S + 1.0) * rate))
        self._frame = 0

    def play(self, sound: NDArray[np.floating], delay_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the echoes that are heard during a block of sound.

        Args:
            sound: Shape (frames,), what goes in; a block must be shorter than the shortest delay.
            delay_s: Shape (frames,), the delay at each frame in seconds, up to 4 s.

        Raises:
            ValueError: A delay is longer than 4 s, or shorter than the block and four frames.
        """
        frames = len(sound)
        shortest = (frames + 4) / self._rate
        if not (np.min(delay_s) >= shortest and np.max(delay_s) <= LONGEST_S):  # NaN fails too
            raise ValueError(f"a delay must be {shortest:g}..{LONGEST_S:g} s for a block of {frames} frames")
        at = self._frame + np.arange(frames) - delay_s * self._rate
        echoes = self._read(at)
        self._line[(self._frame + np.arange(frames)) % len(self._line)] = sound + self._feedback * echoes
        self._frame += frames
        return echoes

    def _read(self, at: NDArray[np.float64]) -> NDArray[np.float64]:
        """Read between frames by the cubic through four neighbours (Lagrange)."""
        whole = np.floor(at).astype(np.intp)
        x = at - whole
        before, here, after, later = (self._line[(whole + k) % len(self._line)] for k in (-1, 0, 1, 2))
        return np.asarray(
            -before * x * (x - 1) * (x - 2) / 6
            + here * (x + 1) * (x - 1) * (x - 2) / 2
            - after * (x + 1) * x * (x - 2) / 2
            + later * (x + 1) * x * (x - 1) / 6
        )


class EchoLoop:
    """A deck and its echoes in one mix: the engine hears both, and clocks the pedal that makes the echoes.

    Args:
        rig: Its first pedal makes the echoes, of the deck that it listens to; that deck has one channel.
        rate: Frames per second.
        handle: What hears.
        feedback: Of the pedal, 0..0.95.
        level_db: Level of the first echo beside the deck; -inf for a dry mix.
        beats: Delay of the pedal in beats of its clock, such as 0.75.

    Raises:
        ValueError: A value is out of range.
    """

    def __init__(
        self, rig: Rig, rate: int, handle: Handle, *, feedback: float, level_db: float, beats: float = 1.0
    ) -> None:
        if not (isfinite(beats) and beats > 0):
            raise ValueError(f"beats must be above 0, got {beats!r}")
        self._rate = rate
        self._handle = handle
        self._schedule = Schedule(SendPlan.of(rig), 0.0)
        self._port = rig.pedals[0].port
        self._ear = DelayPedal()
        self._line = DelayLine(rate, feedback)
        self._gain = 10.0 ** (level_db / 20.0)
        self._beats = beats
        self._frame = 0

    def play(self, sound: NDArray[np.floating]) -> Iterator[Fact]:
        """Play a block of the dry deck, shape (frames,), and yield what the engine made of the mix."""
        frames = np.arange(self._frame, self._frame + len(sound))
        delay_s = self._beats * self._ear.delay_at(frames / self._rate)
        echoes = np.zeros(len(sound)) if np.isnan(delay_s).any() else self._line.play(sound, delay_s)
        mix = (sound + self._gain * echoes).astype(np.float32)
        end = (self._frame + len(sound)) / self._rate
        while self._schedule.next_due() <= end:
            due = self._schedule.due(self._schedule.next_due())
            for message in due.messages:
                if message.port == self._port:
                    self._ear.receive(message.at, message.data)
        for fact in self._handle(SoundHeard(frame=self._frame, at=self._frame / self._rate, samples=mix[:, None])):
            yield fact
            if isinstance(fact, PedalTold):
                self._schedule.take(fact, end)
        self._frame += len(sound)
