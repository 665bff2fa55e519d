"""Sound devices through PortAudio: which there are, what they take, and blocks out of one of them.

`sounddevice` is imported only when a device is asked for: everything else runs where PortAudio is absent.
PortAudio looks for devices when it starts, and sees none that come later until it is started again (`look_again`).
"""

from __future__ import annotations

import atexit
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bridge.edge.live_input import Deliver, InputHangsError
from bridge.errors import DeviceError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LATENCY_MAX_S = 2.0
"""A driver that names a longer latency, in seconds, has miscounted: JACK does for a client that it takes for a device
(seen here: 2^32 frames). A block counts instead."""

CLOSE_S = 2.0
"""Longest wait for PortAudio to let a device go. On a JACK server that died it would take ten minutes."""

_INVALID_RATE = -9997
"""PortAudio's paInvalidSampleRate."""

_hangs = threading.Event()
"""Set once PortAudio did not let a device go: nothing may be asked of it in this process any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundDevice:
    """A device that sound can come from.

    Attributes:
        index: PortAudio's number for it in this process.
        name: Its name.
        api: The sound system that offers it, such as ALSA or JACK; one device may come through several.
        channels: Inputs that it has, 1 or more.
        rate: Its own rate in frames per second.
        is_default: Whether a rig without `device` means it.
    """

    index: int
    name: str
    api: str
    channels: int
    rate: int
    is_default: bool

    @property
    def full_name(self) -> str:
        """Name and sound system, which together are unique nearly everywhere."""
        return f"{self.name}, {self.api}"


def look_again() -> None:
    """Start PortAudio anew, so that it sees what was plugged in since. No stream may be open.

    Raises:
        DeviceError: PortAudio is absent, does not work, or hangs.
    """
    library = the_library()
    try:
        library._terminate()
        library._initialize()  # sounddevice has no other names for these two
    except library.PortAudioError as error:
        raise DeviceError(f"PortAudio does not start: {_said(error)}. Restart the computer's sound system.") from error


def sound_devices() -> tuple[SoundDevice, ...]:
    """Return every device with an input, as PortAudio found them when it started.

    Raises:
        DeviceError: PortAudio is absent or does not work.
    """
    library = the_library()
    apis = library.query_hostapis()
    default = library.default.device[0]
    return tuple(
        SoundDevice(
            index=device["index"],
            name=device["name"],
            api=apis[device["hostapi"]]["name"],
            channels=device["max_input_channels"],
            rate=round(device["default_samplerate"]),
            is_default=device["index"] == default,
        )
        for device in library.query_devices()
        if device["max_input_channels"] > 0
    )


def refusal(device: SoundDevice, channels: int, rate: int) -> str:
    """Return what the system says against opening a device so; nothing if it would open.

    Raises:
        DeviceError: PortAudio is absent or does not work.
    """
    library = the_library()
    try:
        library.check_input_settings(device=device.index, channels=channels, samplerate=rate, dtype="float32")
    except library.PortAudioError as error:
        return _said(error)
    return ""


class DeviceStream:
    """An open device that delivers blocks from a thread of PortAudio's, until it is closed.

    Blocks that are shorter than the sound system's own period (on JACK, the server's) arrive in bursts, and are then
    timed wrong by up to half of that period: a block of one period or more is timed best.

    Args:
        device: Which one.
        channels: How many of its inputs, counted from the first.
        rate: Frames per second; None for its own.
        block: Frames per block.
        deliver: Takes each block.

    Raises:
        DeviceError: It has fewer inputs, refuses the rate, or cannot be opened.
    """

    def __init__(self, device: SoundDevice, *, channels: int, rate: int | None, block: int, deliver: Deliver) -> None:
        if channels > device.channels:
            raise DeviceError(
                f'"{device.full_name}" has {device.channels} inputs, and the decks name input {channels}. '
                "Name inputs that it has, or another device under [sound]."
            )
        library = the_library()
        self.rate = device.rate if rate is None else rate
        self.channels = channels
        self.source = device.full_name

        def callback(samples: NDArray[np.float32], _frames: int, _times: Any, status: Any) -> None:
            deliver(samples, bool(status.input_overflow))

        try:
            self._stream = library.InputStream(
                device=device.index, channels=channels, samplerate=self.rate, blocksize=block, dtype="float32",
                latency="low", callback=callback,
            )  # fmt: skip
            self._stream.start()
        except library.PortAudioError as error:
            raise DeviceError(_cannot_open(device, self.rate, error)) from error
        said_s = float(self._stream.latency)
        self.latency_s = said_s if 0.0 <= said_s <= LATENCY_MAX_S else block / self.rate

    def close(self) -> None:
        """Stop at once and let the device go, within CLOSE_S. What PortAudio says of one that is gone is passed over.

        Where that takes longer, it is left to itself, and this process can open no device any more.
        """
        closing = threading.Thread(target=self._close, name="close sound device", daemon=True)
        closing.start()
        closing.join(CLOSE_S)
        if closing.is_alive():
            # sounddevice would wait for it at exit, and keep this process from ending
            atexit.unregister(the_library()._exit_handler)
            _hangs.set()

    def _close(self) -> None:
        self._stream.abort(ignore_errors=True)
        self._stream.close(ignore_errors=True)


def the_library() -> Any:
    """Return the module sounddevice, with PortAudio started.

    Raises:
        DeviceError: PortAudio is absent, or hangs.
    """
    if _hangs.is_set():
        raise InputHangsError("PortAudio hangs on a sound device that is gone. Start again.")
    try:
        import sounddevice  # only here, see above
    except OSError as error:  # what it raises where the shared library is absent
        raise DeviceError(
            "PortAudio is not installed, so no sound device can be opened. "
            "Install it (Debian and Ubuntu: apt-get install libportaudio2), or work on files."
        ) from error
    return sounddevice


def _cannot_open(device: SoundDevice, rate: int, error: Exception) -> str:
    if len(error.args) > 1 and error.args[1] == _INVALID_RATE:
        return (
            f'"{device.full_name}" refuses {rate} frames per second; its own rate is {device.rate}. '
            f"Write rate = {device.rate} under [sound], or leave the key out."
        )
    return (
        f'"{device.full_name}" cannot be opened: {_said(error)}. '
        "See that no other program holds it, or name another device under [sound]."
    )


def _said(error: Exception) -> str:
    return str(error.args[0]).rstrip(". ") if error.args else type(error).__name__
