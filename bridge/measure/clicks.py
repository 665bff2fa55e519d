"""A click that is made to be found again, and where it comes back; and where a sound nobody knows begins."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from bridge.units import level_db

Sound = NDArray[np.floating]

LOUDEST_DB = -12.0
"""No click is louder than this, in dB relative to full scale: it is played into pedals and, by mistake, into ears."""

QUIETEST_DB = -60.0
"""No click is quieter."""

CLICK_S = 0.02
"""Length of a click: long enough to be found far below the noise, short enough to be heard as one."""

CLICK_HZ = (400.0, 5000.0)
"""A click sweeps from the lower to the upper: what every pedal passes, and nothing that hurts a tweeter."""

CLEAR = 9.0
"""A click counts as found when its correlation stands out of the median around it by this factor; noise comes to 7."""

QUIET_S = 0.1
"""So much silence before a note tells how loud the room is, in seconds."""

ABOVE_NOISE = 4.0
"""A sound begins where it first passes the peak of the silence before it by this factor."""

FAINTEST = 10.0 ** (-60.0 / 20.0)
"""A sound fainter than this, of full scale, is none."""

_EDGE = 4  # frames around a peak that belong to it, per kHz of rate


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickFound:
    """Where a click came back.

    Attributes:
        delay_s: From where it was looked for to its beginning, in seconds, to a fraction of a frame.
        level_db: Its peak, in dB relative to full scale.
        clear: By what factor it stands out of what surrounds it.
        turned: Whether it came back upside down.
    """

    delay_s: float
    level_db: float
    clear: float
    turned: bool


def make_click(rate: int, peak_db: float) -> NDArray[np.float32]:
    """Return a click: a short sweep that fades in and out, shape (frames,).

    Args:
        rate: Frames per second, 8000 or more.
        peak_db: Its peak in dB relative to full scale, -60..-12.

    Raises:
        ValueError: A value is outside its range.
    """
    if not rate >= 8000:
        raise ValueError(f"a click needs 8000 frames/s or more, got {rate!r}")
    if not QUIETEST_DB <= peak_db <= LOUDEST_DB:  # NaN fails too
        raise ValueError(f"a click's peak must be {QUIETEST_DB:g}..{LOUDEST_DB:g} dB, got {peak_db!r}")
    frames = round(CLICK_S * rate)
    time = np.arange(frames) / rate
    low, high = CLICK_HZ[0], min(CLICK_HZ[1], 0.4 * rate)
    phase = 2 * np.pi * (low * time + (high - low) * time**2 / (2 * CLICK_S))
    shape = np.sin(phase) * np.hanning(frames)
    return np.asarray(10.0 ** (peak_db / 20.0) * shape / np.abs(shape).max(), dtype=np.float32)


def find_click(sound: Sound, click: Sound, rate: int) -> ClickFound | None:
    """Return where a click begins in a sound; None if it is not in there.

    The correlation with the click is read between its frames by a parabola through its highest three values.

    Args:
        sound: Shape (frames,), longer than the click.
        click: Shape (frames,), as it was played.
        rate: Frames per second.

    Raises:
        ValueError: The sound is not longer than the click.

    Source: matched filter and parabolic interpolation, J. O. Smith, "Spectral Audio Signal Processing", 2011.
    """
    if not len(sound) > len(click) >= 1:
        raise ValueError(f"a click of {len(click)} frames cannot be found in {len(sound)}")
    heard = np.nan_to_num(np.asarray(sound, dtype=np.float64))
    matched = _correlation(heard - heard.mean(), np.asarray(click, dtype=np.float64))
    peak = int(np.argmax(np.abs(matched)))
    edge = max(2, _EDGE * rate // 1000)
    around = np.delete(matched, slice(max(0, peak - edge), peak + edge + 1))
    noise = float(np.median(np.abs(around))) if len(around) else 0.0
    height = float(abs(matched[peak]))
    gain = height / float(np.sum(np.square(click, dtype=np.float64)))
    clear = height / max(noise, 1e-12)
    if not (clear >= CLEAR and gain * float(np.abs(click).max()) > 1e-6):
        return None
    return ClickFound(
        delay_s=(peak + _between(np.abs(matched), peak)) / rate,
        level_db=level_db(gain * float(np.abs(click).max())),
        clear=clear,
        turned=bool(matched[peak] < 0),
    )


def find_beginning(sound: Sound, sent: int, rate: int) -> float | None:
    """Return how long after ``sent`` a sound begins that nobody knows, in seconds; None if none does.

    Args:
        sound: Shape (frames,); up to ``sent`` it is as quiet as the room is.
        sent: The frame from which on it may begin, at least `QUIET_S` into the sound.
        rate: Frames per second.

    Raises:
        ValueError: There is too little silence before ``sent``, or nothing behind it.
    """
    quiet = round(QUIET_S * rate)
    if not quiet <= sent < len(sound):
        raise ValueError(f"{QUIET_S:g} s of silence must lie before frame {sent!r} of {len(sound)}")
    heard = np.abs(np.nan_to_num(np.asarray(sound, dtype=np.float64)))
    bound = max(FAINTEST, ABOVE_NOISE * float(heard[sent - quiet : sent].max()))
    passed = np.flatnonzero(heard[sent:] > bound)
    return float(passed[0]) / rate if len(passed) else None


def _correlation(sound: NDArray[np.float64], click: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlate: entry k tells how much the sound from frame k on is like the click."""
    size = 1 << (len(sound) + len(click)).bit_length()
    spectrum = np.fft.rfft(sound, size) * np.conj(np.fft.rfft(click, size))
    return np.asarray(np.fft.irfft(spectrum, size)[: len(sound) - len(click) + 1])


def _between(values: NDArray[np.float64], peak: int) -> float:
    """Return how far from ``peak`` the top of the parabola through it and its neighbours lies, -0.5..0.5."""
    if not 0 < peak < len(values) - 1:
        return 0.0
    before, top, after = values[peak - 1 : peak + 2]
    bend = before - 2 * top + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(shift) if isfinite(shift) else 0.0
