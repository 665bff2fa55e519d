"""Live sound from a device that the test plays: numbered and timed without gaps, and told of when it goes missing."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.edge.live_input import QUEUE_FRAMES, RETRY_S, STALL_S, Deliver, InputHangsError, LiveInput
from bridge.errors import DeviceError
from bridge.events import SoundHeard, SoundLost
from bridge.testing.clock import FakeClock

RATE, BLOCK = 48_000, 480
BLOCK_S = BLOCK / RATE


class Device:
    """A sound device that delivers when told, whose clock is the test's."""

    def __init__(self, clock: FakeClock, latency_s: float = BLOCK_S) -> None:
        self.rate, self.channels, self.latency_s, self.source = RATE, 1, latency_s, "Deck interface, ALSA"
        self.clock = clock
        self.refusal: DeviceError | None = None
        self.opened: list[int | None] = []
        self.closed = 0
        self.played = 0

    def open(self, deliver: Deliver, rate: int | None) -> Device:
        if self.refusal is not None:
            raise self.refusal
        self.opened.append(rate)
        self.deliver = deliver
        return self

    def close(self) -> None:
        self.closed += 1

    def play(self, blocks: int = 1, overflowed: bool = False) -> None:
        """Let time pass for so many blocks, and deliver them; each sample is its own frame number."""
        for _ in range(blocks):
            self.clock.advance(BLOCK_S)
            frames = np.arange(self.played, self.played + BLOCK, dtype=np.float32)[:, None]
            self.deliver(frames, overflowed)
            frames[:] = -1  # a device's buffer is its own again after the call
            self.played += BLOCK


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(1000.0)


def heard(sound: LiveInput) -> SoundHeard:
    got = sound.read(0)
    assert isinstance(got, SoundHeard)
    return got


def lost(sound: LiveInput) -> SoundLost:
    got = sound.read(0)
    assert isinstance(got, SoundLost)
    return got


def test_blocks_arrive_in_order_at_the_host_time_of_their_first_frame(clock: FakeClock) -> None:
    device = Device(clock)
    with LiveInput(device.open, block=BLOCK, now=clock) as sound:
        assert (sound.rate, sound.channels, sound.source) == (RATE, 1, "Deck interface, ALSA")
        device.play(5)
        for index in range(5):
            block = heard(sound)
            assert block.frame == index * BLOCK
            assert block.at == pytest.approx(1000.0 + index * BLOCK_S)
            assert block.samples[:, 0] == pytest.approx(np.arange(index * BLOCK, (index + 1) * BLOCK))
        assert sound.read(0) is None
    assert device.closed == 1


def test_the_devices_own_latency_is_taken_off(clock: FakeClock) -> None:
    """A device says how old a block's first frame is when it is delivered; the length of the block is part of that."""
    device = Device(clock, latency_s=BLOCK_S + 0.004)
    with LiveInput(device.open, block=BLOCK, now=clock) as sound:
        device.play()
        assert heard(sound).at == pytest.approx(1000.0 - 0.004)


def test_the_rigs_latency_stands_in_for_the_devices(clock: FakeClock) -> None:
    device = Device(clock, latency_s=BLOCK_S + 0.004)
    with LiveInput(device.open, block=BLOCK, latency_s=0.007, now=clock) as sound:
        device.play()
        assert heard(sound).at == pytest.approx(1000.0 - 0.007)


def test_sound_that_nobody_reads_is_dropped_and_counted(clock: FakeClock) -> None:
    """The queue holds what it says; the frames that are missing are told exactly, before the block behind them."""
    device = Device(clock)
    room = QUEUE_FRAMES // BLOCK
    with LiveInput(device.open, block=BLOCK, now=clock) as sound:
        device.play(room + 10)
        assert [heard(sound).frame for _ in range(room)] == [index * BLOCK for index in range(room)]
        device.play()
        gap = lost(sound)
        assert gap.frames == 10 * BLOCK
        assert gap.why == "sound was not read in time"
        block = heard(sound)
        assert block.frame == block.samples[0, 0] == (room + 10) * BLOCK
        assert block.at == pytest.approx(1000.0 + block.frame / RATE)


def test_an_overflow_of_the_device_is_told_and_measured_by_the_clock(clock: FakeClock) -> None:
    """Frame numbers go on as time does: what the device lost is missing from the count too."""
    device = Device(clock)
    with LiveInput(device.open, block=BLOCK, now=clock) as sound:
        device.play(3)
        clock.advance(7 * BLOCK_S)
        device.play(overflowed=True)
        assert [heard(sound).frame for _ in range(3)] == [0, BLOCK, 2 * BLOCK]
        gap = lost(sound)
        assert gap.frames == 7 * BLOCK
        assert "lost frames before they could be fetched" in gap.why
        block = heard(sound)
        assert block.frame == 10 * BLOCK
        assert block.at == pytest.approx(1000.0 + 10 * BLOCK_S)


def test_overflows_in_a_row_are_told_once_each_and_add_next_to_no_frames_of_their_own(clock: FakeClock) -> None:
    """Systems repeat the flag on every block of a burst; jitter of half a block is counted once, not each time."""
    device = Device(clock)
    with LiveInput(device.open, block=BLOCK, now=clock) as sound:
        device.play(100)
        for index, late_s in enumerate(np.random.default_rng(1).uniform(0, BLOCK_S / 2, 200)):
            clock.advance_to(1000.0 + (100 + index) * BLOCK_S + late_s)
            device.deliver(np.zeros((BLOCK, 1), np.float32), True)
        events = iter(lambda: sound.read(0), None)
        told = [event for event in events if isinstance(event, SoundLost)]
    assert sum(event.frames for event in told) < 2 * BLOCK
    assert len(told) < 20


def test_an_overflow_is_told_even_when_the_block_that_carried_it_was_dropped(clock: FakeClock) -> None:
    device = Device(clock)
    room = QUEUE_FRAMES // BLOCK
    with LiveInput(device.open, block=BLOCK, now=clock) as sound:
        device.play(room)
        device.play(overflowed=True)
        for _ in range(room):
            heard(sound)
        device.play()
        gap = lost(sound)
        assert gap.frames == BLOCK
        assert "lost frames" in gap.why


def test_a_device_that_falls_silent_is_told_once_and_opened_again_every_second(clock: FakeClock) -> None:
    device = Device(clock)
    with LiveInput(device.open, block=BLOCK, now=clock) as sound:
        device.play(2)
        heard(sound), heard(sound)
        last = clock()
        clock.advance(STALL_S * 0.9)
        assert sound.read(0) is None
        clock.advance(STALL_S * 0.2)
        gone = lost(sound)
        assert gone.frames == 0
        assert 'no sound from "Deck interface, ALSA" for 1 s' in gone.why
        assert device.closed == 1

        device.refusal = DeviceError("absent")
        for _ in range(5):
            clock.advance(RETRY_S)
            assert sound.read(0) is None
        assert device.opened == [None]
        device.refusal = None
        clock.advance(RETRY_S)
        assert sound.read(0) is None
        assert device.opened == [None, RATE]  # its rate is kept, whatever its own may be by now

        away = clock() - last
        device.play()
        back = lost(sound)
        assert back.why == 'the sound of "Deck interface, ALSA" is back'
        assert back.frames == pytest.approx(away * RATE, abs=1)
        block = heard(sound)
        assert block.frame == 2 * BLOCK + back.frames
        assert block.at == pytest.approx(clock() - BLOCK_S)


def test_a_device_that_opens_but_stays_silent_is_not_told_again_and_again(clock: FakeClock) -> None:
    device = Device(clock)
    with LiveInput(device.open, block=BLOCK, now=clock) as sound:
        told = []
        for _ in range(20):
            clock.advance(0.6)
            told.append(sound.read(0))
        assert [type(event) for event in told if event is not None] == [SoundLost]
        assert len(device.opened) > 3


def test_where_the_sound_system_hangs_the_reader_is_told_that_only_a_fresh_process_helps(clock: FakeClock) -> None:
    device = Device(clock)
    with LiveInput(device.open, block=BLOCK, now=clock) as sound:
        device.refusal = InputHangsError("hangs")
        clock.advance(STALL_S)
        lost(sound)
        clock.advance(RETRY_S)
        with pytest.raises(InputHangsError):
            sound.read(0)


def test_what_a_lost_stream_still_delivers_is_not_heard(clock: FakeClock) -> None:
    device = Device(clock)
    with LiveInput(device.open, block=BLOCK, now=clock) as sound:
        late = device.deliver
        clock.advance(STALL_S)
        lost(sound)
        clock.advance(RETRY_S)
        assert sound.read(0) is None
        late(np.zeros((BLOCK, 1), np.float32), False)
        assert sound.read(0) is None


def test_a_device_that_cannot_be_opened_is_refused(clock: FakeClock) -> None:
    device = Device(clock)
    device.refusal = DeviceError("absent")
    with pytest.raises(DeviceError, match="absent"):
        LiveInput(device.open, block=BLOCK, now=clock)
