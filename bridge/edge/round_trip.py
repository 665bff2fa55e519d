"""Sound out of one jack and in at another, frame by frame on one device: what a click takes there and back."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.edge.portaudio import SoundDevice, the_library
from bridge.errors import DeviceError

if TYPE_CHECKING:
    from numpy.typing import NDArray

PATIENCE_S = 5.0
"""Longer than the sound itself lasts by so much is not waited for, in seconds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundTrip:
    """What was heard while something was played, each frame at the frame that was played at the same turn.

    Attributes:
        rate: Frames per second.
        heard: Shape (frames,).
        claimed_s: What the device says that it takes out and in again, in seconds.
        claimed_in_s: The inward part of that, in seconds.
        interrupted: Whether the device says that it lost sound meanwhile.
    """

    rate: int
    heard: NDArray[np.float32]
    claimed_s: float
    claimed_in_s: float
    interrupted: bool


def play_and_hear(
    device: SoundDevice,
    sound: NDArray[np.float32],
    *,
    output: int,
    input_: int,
    rate: int | None = None,
    block: int,
) -> RoundTrip:
    """Play a sound on one output, silence on all others, and return what one input heard meanwhile.

    Args:
        device: It plays and hears.
        sound: Shape (frames,); samples outside -1..1 are a mistake of the caller.
        output: Which output, counted from 1.
        input_: Which input, counted from 1.
        rate: Frames per second; None for the device's own.
        block: Frames per block.

    Raises:
        DeviceError: It lacks that output or input, refuses, or falls silent.
    """
    library = the_library()
    outputs = library.query_devices(device.index)["max_output_channels"]
    for what, wanted, there in (("output", output, outputs), ("input", input_, device.channels)):
        if not 1 <= wanted <= there:
            raise DeviceError(
                f'"{device.full_name}" has {there} {what}s, and {what} {wanted} was asked for. '
                f"Name one that it has, or a device with {what}s: tapebridge ports"
            )
    turn = _Turn(sound, output - 1, input_ - 1)
    try:
        with library.Stream(
            device=(device.index, device.index), channels=(input_, output), samplerate=rate or device.rate,
            blocksize=block, dtype="float32", latency="low", callback=turn,
        ) as stream:  # fmt: skip
            claimed_in_s, claimed_out_s = stream.latency
            took = int(stream.samplerate)
            done = turn.done.wait(len(sound) / took + PATIENCE_S)
    except library.PortAudioError as error:
        raise DeviceError(
            f'"{device.full_name}" cannot be opened: {error}. See that no other program holds it.'
        ) from error
    if not done:
        raise DeviceError(f'"{device.full_name}" fell silent. See that it is plugged in and switched on.')
    return RoundTrip(
        rate=took,
        heard=turn.heard,
        claimed_s=float(claimed_in_s + claimed_out_s),
        claimed_in_s=float(claimed_in_s),
        interrupted=turn.interrupted,
    )


class _Turn:
    """What the device calls for each block."""

    def __init__(self, sound: NDArray[np.float32], output: int, input_: int) -> None:
        self.heard = np.zeros_like(sound)
        self.done = threading.Event()
        self.interrupted = False
        self._sound = sound
        self._output = output
        self._input = input_
        self._frame = 0

    def __call__(
        self, heard: NDArray[np.float32], played: NDArray[np.float32], frames: int, _times: Any, status: Any
    ) -> None:
        played.fill(0)
        part = self._sound[self._frame : self._frame + frames]
        played[: len(part), self._output] = part
        self.heard[self._frame : self._frame + frames] = heard[: len(part), self._input]
        self.interrupted |= bool(status.input_overflow or status.output_underflow) and self._frame > 0
        self._frame += frames
        if self._frame >= len(self._sound):
            self.done.set()
