"""Sound from a device as it arrives: numbered, timed, and told of when it goes missing.

This is everything about live sound that is not PortAudio: it takes blocks from whatever stream it is given, so that
tests can play the device.
"""

from __future__ import annotations

import queue
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self

from bridge.edge import host_clock
from bridge.edge.frame_clock import FrameClock
from bridge.errors import DeviceError
from bridge.events import SoundHeard, SoundLost

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

QUEUE_FRAMES = 2**17
"""Sound that may wait to be read: 2.7 s at 48 kHz. What comes while the queue is full is dropped, and told later."""

STALL_S = 1.0
"""A device that is silent for so long is taken for lost. The longest block, 4096 frames at 8 kHz, lasts half of it."""

RETRY_S = 1.0
"""Time between two attempts to open a lost device again."""

Deliver = Callable[["NDArray[np.float32]", bool], None]
"""Called from the device's own thread with a block, shape (frames, channels), that is only valid during the call, and
whether the device says that frames before it were lost. It copies, and neither waits nor raises."""


class Stream(Protocol):
    """A sound device that delivers.

    Attributes:
        rate: Frames per second.
        channels: Channels in each block.
        latency_s: Age of a block's first frame when it is delivered, as the device says, in seconds.
        source: The device's full name.
    """

    rate: int
    channels: int
    latency_s: float
    source: str

    def close(self) -> None:
        """End delivery; does not raise."""


OpenStream = Callable[[Deliver, int | None], Stream]
"""Opens the device at a rate, or at its own if that is None; raises DeviceError, or InputHangsError."""


class InputHangsError(DeviceError):
    """The sound system hangs on a device that is gone: only a fresh process can open one again."""


class LiveInput:
    """A device's sound as `bridge.edge.audio.Input` gives it.

    Frames are numbered through gaps: what is missing counts. A number of missing frames is exact where the queue was
    full, and measured by the host clock, to about the jitter of one block, where the device lost frames or was away.

    A device that stops delivering is told as lost after STALL_S and opened again every RETRY_S, under its old name.

    Args:
        open_stream: Opens the device; called at once, and again after a loss.
        block: Frames per block.
        latency_s: Time from the jack to the program, on top of the length of a block; None for what the device says.
        now: The host clock.

    Raises:
        DeviceError: The device cannot be opened.
    """

    def __init__(
        self,
        open_stream: OpenStream,
        *,
        block: int,
        latency_s: float | None = None,
        now: Callable[[], float] = host_clock.now,
    ) -> None:
        self._open_stream = open_stream
        self._block = block
        self._latency_s = latency_s
        self._now = now
        self._ready: deque[SoundHeard | SoundLost] = deque()
        self._frame = 0
        self._is_gap = False
        self._was_overflowed = False
        self._retry_at = 0.0
        self._stream: Stream | None = None
        stream = self._open(None)
        self.rate, self.channels, self.source = stream.rate, stream.channels, stream.source
        self._clock = FrameClock(self.rate)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._stream is not None:
            self._stream.close()
            self._stream = None

    def read(self, timeout_s: float) -> SoundHeard | SoundLost | None:
        """Return what arrived next; None if nothing did within ``timeout_s`` seconds.

        Raises:
            InputHangsError: The device was lost, and only a fresh process can open one again.
        """
        if not self._ready:
            if self._stream is None:
                self._try_again(timeout_s)
            else:
                self._listen(timeout_s)
        return self._ready.popleft() if self._ready else None

    def _open(self, rate: int | None) -> Stream:
        self._mailbox = _Mailbox(max(8, QUEUE_FRAMES // self._block), self._now)
        self._heard_at = self._now()
        stream = self._stream = self._open_stream(self._mailbox.deliver, rate)
        return stream

    def _try_again(self, timeout_s: float) -> None:
        wait_s = self._retry_at - self._now()
        if wait_s > 0:
            time.sleep(min(wait_s, timeout_s))
            return
        try:
            self._open(self.rate)
        except InputHangsError:
            raise
        except DeviceError:  # told when it was lost
            self._retry_at = self._now() + RETRY_S

    def _listen(self, timeout_s: float) -> None:
        stalls_in_s = self._heard_at + STALL_S - self._now()
        try:
            block = self._mailbox.blocks.get(timeout=max(0.0, min(timeout_s, stalls_in_s)))
        except queue.Empty:
            if self._now() >= self._heard_at + STALL_S:
                self._lose()
            return
        self._heard_at = block.arrived
        self._take(block)

    def _lose(self) -> None:
        if self._stream is not None:
            self._stream.close()
            self._stream = None
        self._retry_at = self._now() + RETRY_S
        if not self._is_gap:
            self._is_gap = True
            why = f'no sound from "{self.source}" for {STALL_S:g} s; trying to open it again every {RETRY_S:g} s'
            self._ready.append(SoundLost(at=self._now(), frames=0, why=why))

    def _take(self, block: _Block) -> None:
        frames = len(block.samples)
        lost = block.dropped
        if self._is_gap or block.overflowed:
            lost += self._uncounted(block)
        if lost or self._is_gap or (block.overflowed and not self._was_overflowed):  # flags come in bursts
            self._ready.append(SoundLost(at=block.arrived, frames=lost, why=self._why_lost(block)))
            self._frame += lost
            if self._is_gap:
                self._clock.restart()
            else:
                self._clock.skip(lost)
        self._is_gap, self._was_overflowed = False, block.overflowed
        at = self._clock.block(frames, block.arrived) - self._age_s(frames)
        self._ready.append(SoundHeard(frame=self._frame, at=at, samples=block.samples))
        self._frame += frames

    def _uncounted(self, block: _Block) -> int:
        """Return how many frames went missing before a block that nobody counted, by the host clock."""
        expected = self._clock.expected(block.dropped + len(block.samples))
        return 0 if expected is None else max(0, round((block.arrived - expected) * self.rate))

    def _why_lost(self, block: _Block) -> str:
        if self._is_gap:
            return f'the sound of "{self.source}" is back'
        if block.overflowed:
            return f'"{self.source}" says that it lost frames before they could be fetched'
        return "sound was not read in time"

    def _age_s(self, frames: int) -> float:
        if self._latency_s is not None:
            return self._latency_s
        stream = self._stream
        return max(0.0, stream.latency_s - frames / self.rate) if stream is not None else 0.0


@dataclass(frozen=True, slots=True)
class _Block:
    samples: NDArray[np.float32]
    arrived: float
    dropped: int
    overflowed: bool


class _Mailbox:
    """What one stream delivered and nobody has read yet. The stream's thread writes, the reader's reads."""

    def __init__(self, size: int, now: Callable[[], float]) -> None:
        self.blocks: queue.Queue[_Block] = queue.Queue(size)
        self._now = now
        self._dropped = 0
        self._overflowed = False

    def deliver(self, samples: NDArray[np.float32], overflowed: bool) -> None:
        arrived = self._now()
        self._overflowed |= overflowed
        try:
            self.blocks.put_nowait(_Block(samples.copy(), arrived, self._dropped, self._overflowed))
            self._dropped, self._overflowed = 0, False
        except queue.Full:
            self._dropped += len(samples)
