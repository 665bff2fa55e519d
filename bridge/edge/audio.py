"""Where sound comes from: a device, or a file that stands in for one. Both are an `Input`."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Literal, Protocol, Self

import numpy as np
import soundfile

from bridge.edge import host_clock
from bridge.edge.live_input import Deliver, LiveInput, Stream
from bridge.errors import SoundFileError
from bridge.events import SoundHeard, SoundLost
from bridge.rig import SoundInput
from bridge.units import RATE_MAX, RATE_MIN

if TYPE_CHECKING:
    from numpy.typing import NDArray

Pace = Literal["live", "fast"]
"""live: each block comes when it would be over if it were played now; fast: as soon as it is asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundEnded:
    """There is no more sound to come. A device never says so, a file does.

    Attributes:
        at: Host time at which the sound ended, in seconds.
    """

    at: float


class Input(Protocol):
    """Sound, block by block. Use it in a ``with`` statement, which lets the device or file go at its end.

    Attributes:
        rate: Frames per second; does not change.
        channels: Channels in each block; does not change.
        source: What it is, for people to read.
    """

    rate: int
    channels: int
    source: str

    def read(self, timeout_s: float) -> SoundHeard | SoundLost | SoundEnded | None:
        """Return what came next, in order.

        Args:
            timeout_s: Longest wait in seconds, 0 or more.

        Returns:
            A block; or that sound went missing before the next block, whose frame number tells how much; or that the
            sound has ended, however often it is asked; or None if nothing came in time. Samples are as they came: NaN
            and levels above 1 are passed on.
        """

    def __enter__(self) -> Self:
        """Return itself."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let the device or file go."""


def open_input(sound: SoundInput, channels: int) -> LiveInput:
    """Open the sound device of a rig.

    Args:
        sound: Which device, and how.
        channels: The highest input that is wanted, counted from 1; each block has them all from the first on.

    Raises:
        DeviceError: PortAudio is absent; the device is absent or ambiguous, has too few inputs, refuses the rate, or
            cannot be opened.
    """
    from bridge.edge import devices, portaudio  # here, since these are for devices only, and bring in MIDI

    def open_stream(deliver: Deliver, rate: int | None) -> Stream:
        portaudio.look_again()  # for devices that came since; nothing else in this process has a stream open
        device = devices.resolve_device(sound.device, portaudio.sound_devices())
        return portaudio.DeviceStream(
            device, channels=channels, rate=rate or sound.rate, block=sound.block, deliver=deliver
        )

    latency_s = None if sound.latency_ms is None else sound.latency_ms / 1000
    return LiveInput(open_stream, block=sound.block, latency_s=latency_s)


class FileInput:
    """A sound file as an `Input`: anything that libsndfile reads, 8 to 192 kHz, of any width and number of channels.

    A file that is cut short is read as far as it is sound; then `SoundLost` tells how many frames are missing, where
    the file says how many there should be, and `SoundEnded` follows.

    Args:
        path: The file.
        pace: "live" counts host time from the first read on, or from ``begin_at``; "fast" counts it from 0.
        block: Frames per block, 1 or more; the last block may be shorter.
        begin_at: Host time in seconds of the first frame, for pace "live"; what was over before the first read is left
            out, as it is from a device that was opened late. None for the first read.
        now: The host clock, for pace "live".
        sleep: Waits so many seconds, for pace "live".

    Raises:
        SoundFileError: It is absent, empty, not sound, holds no frames, or has a rate outside 8..192 kHz.
    """

    def __init__(
        self,
        path: Path,
        pace: Pace,
        *,
        block: int = 256,
        begin_at: float | None = None,
        now: Callable[[], float] = host_clock.now,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if not block >= 1:
            raise ValueError(f"block must be 1 frame or more, got {block!r}")
        self._file = _open(path)
        self.rate: int = self._file.samplerate
        self.channels: int = self._file.channels
        self.source = str(path)
        self._promised = _promised_frames(self._file)
        self._block = block
        self._is_live = pace == "live"
        self._now, self._sleep = now, sleep
        self._begin = begin_at
        self._frame = self._file.seek(self._over_by_now()) if self._is_live and begin_at is not None else 0
        self._ahead: NDArray[np.float32] = np.empty((0, self.channels), np.float32)
        self._is_read = False
        self._broken = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def read(self, timeout_s: float) -> SoundHeard | SoundLost | SoundEnded | None:
        """Return what came next; None if it is not due within ``timeout_s`` seconds, which only pace "live" knows."""
        if self._begin is None:
            self._begin = self._now() if self._is_live else 0.0
        self._fill()
        block = self._ahead[: self._block]
        if len(block) == 0:
            return self._end()
        if self._is_live and not self._is_due(self._at(self._frame + len(block)), timeout_s):
            return None
        heard = SoundHeard(frame=self._frame, at=self._at(self._frame), samples=block)
        self._frame += len(block)
        self._ahead = self._ahead[self._block :]
        return heard

    def _over_by_now(self) -> int:
        frames = int((self._now() - (self._begin or 0.0)) * self.rate)
        return min(max(0, frames), int(self._file.frames))

    def _at(self, frame: int) -> float:
        return (self._begin or 0.0) + frame / self.rate

    def _is_due(self, due: float, timeout_s: float) -> bool:
        wait_s = due - self._now()
        if wait_s > 0 and timeout_s > 0:
            self._sleep(min(wait_s, timeout_s))
        return self._now() >= due

    def _fill(self) -> None:
        """Read ahead until a block is there, in steps of one size, so that a broken file breaks alike for any block."""
        while len(self._ahead) < self._block and not self._is_read:
            try:
                step = self._file.read(_READ_STEP, dtype="float32", always_2d=True)
            except soundfile.LibsndfileError as error:
                self._broken, self._is_read = error.error_string.rstrip(". "), True
                return
            self._is_read = len(step) == 0
            self._ahead = np.concatenate([self._ahead, step])

    def _end(self) -> SoundLost | SoundEnded:
        missing, broken = max(0, self._promised - self._frame), self._broken
        if not missing and not broken:
            return SoundEnded(at=self._at(self._frame))
        count = f"{missing} of {self._promised} frames are missing" if missing else "how much is missing is not known"
        why = f"{self.source} is cut short: {count}{f' ({broken})' if broken else ''}"
        self._promised, self._broken = 0, ""  # told once
        return SoundLost(at=self._at(self._frame), frames=missing, why=why)


def _open(path: Path) -> soundfile.SoundFile:
    try:
        with path.open("rb") as file:
            is_empty = not file.read(1)
    except OSError as error:
        raise _refused(path, f"cannot be read: {error.strerror}", "Name a sound file that is there") from error
    if is_empty:
        raise _refused(path, "is empty, 0 bytes", "Copy or record it again")
    try:
        sound = soundfile.SoundFile(path)
    except (soundfile.LibsndfileError, TypeError) as error:  # TypeError: a name in .raw, which tells no rate
        said = getattr(error, "error_string", str(error)).rstrip(". ")
        raise _refused(
            path, f"is no sound file that can be read: {said}", "Give it as WAV, FLAC, AIFF or OGG"
        ) from error
    found, remedy = "", ""
    if not RATE_MIN <= sound.samplerate <= RATE_MAX:
        found = f"has {sound.samplerate} frames per second, outside {RATE_MIN}..{RATE_MAX}"
        remedy = "Convert it to 44100 or 48000"
    elif sound.frames == 0:
        found, remedy = "holds no sound, 0 frames", "Copy or record it again"
    if found:
        sound.close()
        raise _refused(path, found, remedy)
    return sound


def _refused(path: Path, found: str, remedy: str) -> SoundFileError:
    return SoundFileError(f"{path}: the file {found}. {remedy}.")


def _promised_frames(sound: soundfile.SoundFile) -> int:
    """Return how many frames a file says it holds; 0 where it does not say.

    libsndfile believes the header of FLAC and MP3, and of WAV and AIFF what is left of the file; what their headers
    said is in its log, in bytes.
    """
    if sound.frames > _UNKNOWN:
        return 0
    told = _LOG_OF_CUT_DATA.search(sound.extra_info)
    if told is None or int(told[2]) >= _STREAMED:
        return int(sound.frames)
    head = 8 if told[1] == "SSND" else 0  # that chunk begins with two numbers
    promised, present = int(told[2]) - head, int(told[3]) - head
    frames = int(sound.frames)
    frame_bytes = present // frames
    return promised // frame_bytes if frame_bytes else round(frames * promised / present)


_READ_STEP = 1024  # frames; of a file that breaks, less than this is lost before the break
_LOG_OF_CUT_DATA = re.compile(r"(data|SSND|Data Size)\s*: (\d+) \(should be (\d+)\)")
_STREAMED = 2**31 - 2**16  # a size that says: written to a pipe, length unknown
_UNKNOWN = 2**48  # libsndfile says its greatest number where a FLAC stream does not tell its length
