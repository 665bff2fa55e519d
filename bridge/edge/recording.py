"""A stretch of live sound, whole: from now on, for so long, while something is sent."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bridge.edge import host_clock
from bridge.errors import DeviceError
from bridge.events import SoundHeard

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.edge.audio import Input

PATIENCE_S = 3.0
"""Sound that is missing for so long is not waited for any more, in seconds."""

TURN_S = 0.05
"""Longest wait for a block, in seconds."""

Turn = Callable[[], float | None]
"""Sends what is due, and returns the host time in seconds at which it wants to be called again; None for whenever."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """A stretch of sound.

    Attributes:
        rate: Frames per second.
        samples: Shape (frames, channels); silent where sound went missing.
        lost: Frames that went missing.
        begins: Shape (blocks,), host time of each block's first frame in seconds; a device's own rate may be off, and
            a system that stalls stretches time between two blocks.
        frames: Shape (blocks,), which frame that was.
    """

    rate: int
    samples: NDArray[np.float32]
    lost: int
    begins: NDArray[np.float64]
    frames: NDArray[np.intp]

    def frame_at(self, at: float) -> int:
        """Return the frame at a host time in seconds; it may lie outside."""
        block = max(0, int(np.searchsorted(self.begins, at, side="right")) - 1)
        return int(self.frames[block]) + round((at - float(self.begins[block])) * self.rate)

    def time_of(self, frame: float) -> float:
        """Return the host time of a frame in seconds."""
        block = max(0, int(np.searchsorted(self.frames, frame, side="right")) - 1)
        return float(self.begins[block]) + (frame - int(self.frames[block])) / self.rate


def record(
    sound: Input, seconds: float, turn: Turn | None = None, each: Callable[[SoundHeard], None] | None = None
) -> Recorded:
    """Record what is heard from now on; what was heard earlier and waits to be read is thrown away.

    Args:
        sound: What to hear.
        seconds: How long, above 0.
        turn: Called before each block is waited for, and as soon as it wanted to be.
        each: Sees each block, such as a meter.

    Raises:
        DeviceError: No sound came for 3 s.
    """
    if not seconds > 0:
        raise ValueError(f"a recording must last longer than 0 s, got {seconds!r}")
    begin = heard_at = host_clock.now()
    blocks: list[SoundHeard] = []
    while not blocks or blocks[-1].at + len(blocks[-1].samples) / sound.rate < begin + seconds:
        due = turn() if turn is not None else None
        wait_s = TURN_S if due is None else min(TURN_S, max(0.0, due - host_clock.now()))
        got = sound.read(wait_s)
        if isinstance(got, SoundHeard):
            heard_at = host_clock.now()
            if got.at >= begin:
                blocks.append(got)
                if each is not None:
                    each(got)
        elif host_clock.now() - heard_at > PATIENCE_S:
            raise DeviceError(
                f'No sound came from "{sound.source}" for {PATIENCE_S:g} s. See that it is plugged in and switched on, '
                "and that no other program holds it."
            )
    return _joined(blocks, sound.rate)


def _joined(blocks: Sequence[SoundHeard], rate: int) -> Recorded:
    first = blocks[0].frame
    frames = blocks[-1].frame + len(blocks[-1].samples) - first
    samples = np.zeros((frames, blocks[0].samples.shape[1]), np.float32)
    for block in blocks:
        begin = block.frame - first
        samples[begin : begin + len(block.samples)] = block.samples
    heard = sum(len(block.samples) for block in blocks)
    return Recorded(
        rate=rate,
        samples=samples,
        lost=frames - heard,
        begins=np.array([block.at for block in blocks]),
        frames=np.array([block.frame - first for block in blocks], dtype=np.intp),
    )
