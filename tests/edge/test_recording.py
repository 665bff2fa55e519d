"""A stretch of sound from now on, whole, with its place in host time."""

from __future__ import annotations

from types import TracebackType
from typing import Self

import numpy as np
import pytest

from bridge.edge import recording
from bridge.edge.recording import PATIENCE_S, record
from bridge.errors import DeviceError
from bridge.events import SoundHeard, SoundLost
from bridge.testing.clock import FakeClock

RATE, BLOCK = 48_000, 480
BLOCK_S = BLOCK / RATE


class Device:
    """Sound whose samples are their own frame numbers; it delivers a block each time it is asked."""

    rate, channels, source = RATE, 2, "Deck interface"

    def __init__(self, clock: FakeClock, old: int = 0, lose_at: int | None = None, slow: float = 1.0) -> None:
        self._clock = clock
        self._old = old
        self._lose_at = lose_at
        self._slow = slow
        self._frame = 0
        self.silent = False

    def read(self, timeout_s: float) -> SoundHeard | SoundLost | None:
        if self.silent:
            self._clock.advance(max(timeout_s, 0.01))
            return None
        if self._frame == self._lose_at:
            self._lose_at = None
            self._frame += 2 * BLOCK
            self._clock.advance(2 * BLOCK_S)
            return SoundLost(at=self._clock(), frames=2 * BLOCK, why="sound was not read in time")
        if self._old > 0:
            self._old -= 1
            at = self._clock() - 1.0 - self._old * BLOCK_S
        else:
            at = self._clock()
            self._clock.advance(BLOCK_S * self._slow)
        samples = np.repeat(np.arange(self._frame, self._frame + BLOCK, dtype=np.float32)[:, None], 2, axis=1)
        block = SoundHeard(frame=self._frame, at=at, samples=samples)
        self._frame += BLOCK
        return block

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        pass


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> FakeClock:
    fake = FakeClock(1000.0)
    monkeypatch.setattr(recording.host_clock, "now", fake)
    return fake


def test_sound_that_waited_to_be_read_is_thrown_away(clock: FakeClock) -> None:
    heard = record(Device(clock, old=7), 0.1)
    assert heard.samples[0, 0] == 7 * BLOCK
    assert len(heard.samples) >= 0.1 * RATE - 1
    assert heard.time_of(0) == pytest.approx(1000.0)
    assert heard.lost == 0


def test_what_went_missing_is_silent_and_keeps_its_place(clock: FakeClock) -> None:
    heard = record(Device(clock, lose_at=3 * BLOCK), 0.1)
    assert heard.lost == 2 * BLOCK
    assert heard.samples[3 * BLOCK - 1, 0] == 3 * BLOCK - 1
    assert not heard.samples[3 * BLOCK : 5 * BLOCK].any()
    assert heard.samples[5 * BLOCK, 0] == 5 * BLOCK


def test_frames_are_placed_by_the_block_that_they_came_in(clock: FakeClock) -> None:
    """A device that is slower than it says by a tenth: after a second its frames are a tenth of a second behind."""
    heard = record(Device(clock, slow=1.1), 1.0)
    frame = heard.frame_at(1000.9)
    assert frame == pytest.approx(0.9 / 1.1 * RATE, abs=BLOCK)
    assert heard.time_of(frame) == pytest.approx(1000.9, abs=1.5 / RATE)


def test_what_is_due_is_sent_while_it_listens(clock: FakeClock) -> None:
    turns: list[float] = []

    def turn() -> float:
        turns.append(clock())
        return clock() + 0.01

    seen: list[int] = []
    record(Device(clock), 0.1, turn, lambda block: seen.append(block.frame))
    assert turns[0] == 1000.0
    assert len(turns) >= 10
    assert seen == [index * BLOCK for index in range(len(seen))]


def test_a_device_that_falls_silent_is_told_after_a_while(clock: FakeClock) -> None:
    device = Device(clock)
    device.silent = True
    with pytest.raises(DeviceError, match='No sound came from "Deck interface" for 3 s'):
        record(device, 1.0)
    assert clock() - 1000.0 == pytest.approx(PATIENCE_S, abs=0.1)


@pytest.mark.parametrize("seconds", [0.0, -1.0, float("nan")])
def test_it_must_last_some_time(clock: FakeClock, seconds: float) -> None:
    with pytest.raises(ValueError, match="longer than 0 s"):
        record(Device(clock), seconds)
