"""The front end: sound in blocks of any length becomes one `Hop` every 10 ms.

Whatever the block lengths, the same samples give the same hops, bit for bit: sound is first gathered into hops of a
fixed length, and only whole hops are looked at. The spectrum is aubio's phase vocoder.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, log2, log10

import aubio
import numpy as np
from numpy.typing import NDArray

from bridge.units import SILENCE_DB

HOPS_PER_S = 100
"""Hops a second, at any rate, to within the rounding of a hop to whole frames."""

TONES = 32
"""Bands that the learned activation hears, 40 Hz to 9.5 kHz in equal ratios."""

FLOOR_DB = -90.0
"""Level at which a tone band ends: what is quieter reads so."""


BANDS_PER_OCTAVE = 6

LOWEST_HZ = 60.0
"""Lower edge of the lowest band."""

_FLOOR = 10.0 ** (FLOOR_DB / 10.0)
_WINDOW_S = 2048 / 44100
_TONES_HZ = (40.0, 9500.0)
_NARROWEST_HZ = 1.5 * 24_000 / 1024  # to either side; narrower than a bin there is nothing to tell apart
_OCTAVES = 7
_QUIETEST = 1e-12
_LOUDEST_SAMPLE = 1e3


@dataclass(frozen=True, slots=True, eq=False)
class Hop:
    """What one short piece of sound looks like.

    Attributes:
        frame: Frames heard when this hop was complete.
        level_db: RMS level of the hop without its DC part, in dB relative to full scale, -120 or more.
        power: Shape (bands,), float64, 0 or more: mean power in each band; a sine of full scale reads 1 in its band.
        tones_db: Shape (TONES,), float64: level of each tone band in dB, FLOOR_DB or more.
        sound: Shape (hop,), float32, finite: the sound itself.
    """

    frame: int
    level_db: float
    power: NDArray[np.float64]
    tones_db: NDArray[np.float64]
    sound: NDArray[np.float32]

    @property
    def bands(self) -> NDArray[np.float64]:
        """Shape (bands,): level of each band in dB, -120 or more."""
        levels: NDArray[np.float64] = 10.0 * np.log10(np.maximum(self.power, _QUIETEST))
        return levels


def hop_frames(rate: int) -> int:
    """Return how many frames a hop has at ``rate`` frames per second."""
    return round(rate / HOPS_PER_S)


def window_frames(rate: int) -> int:
    """Return how many frames a spectrum is taken of: a power of 2, about 46 ms."""
    return int(2 ** round(log2(rate * _WINDOW_S)))


class Features:
    """Gathers sound into hops.

    Args:
        rate: Frames per second, 8000..192000.

    Attributes:
        hop: Frames in a hop.
        edges_hz: Shape (bands + 1,): edges of the bands, six an octave from 60 Hz to 7.7 kHz or below half the rate.

    Raises:
        ValueError: ``rate`` is out of range.
    """

    def __init__(self, rate: int) -> None:
        if not 8000 <= rate <= 192000:
            raise ValueError(f"rate must be 8000..192000 frames per second, got {rate!r}")
        self.hop = hop_frames(rate)
        window = window_frames(rate)
        octaves = min(_OCTAVES, int(2 * log2(0.49 * rate / LOWEST_HZ)) / 2)
        steps = np.arange(int(octaves * BANDS_PER_OCTAVE) + 1)
        self.edges_hz: NDArray[np.float64] = LOWEST_HZ * 2.0 ** (steps / BANDS_PER_OCTAVE)
        self._vocoder = aubio.pvoc(window, self.hop)
        # Below about 200 Hz a band is narrower than a bin of the spectrum: it then holds the nearest bin.
        self._starts = np.round(self.edges_hz * window / rate).astype(np.intp)
        bins = np.maximum(1, np.diff(self._starts))
        self._scale = 1.0 / (bins * (window / 4.0) ** 2)
        tones = _tone_filters(rate, window) / (window / 4.0) ** 2
        # Few bins count for a tone: those and their weights, tone after tone. A tone without any has one of weight 0.
        counts = tones > 0
        counts[~counts.any(axis=1), 0] = True
        tone, self._tone_bins = np.nonzero(counts)
        self._tone_weights = tones[tone, self._tone_bins]
        self._tone_starts = np.searchsorted(tone, np.arange(TONES))
        self._heard = 1 + max(int(self._starts[-1]), int(self._tone_bins[-1]))
        self._waiting = np.zeros(self.hop, dtype=np.float32)
        self._filled = 0
        self._frame = 0
        self._dc = 0.0
        self._not_finite = 0

    @property
    def not_finite(self) -> int:
        """How many samples so far were NaN or infinite; they were heard as silence."""
        return self._not_finite

    def hear(self, samples: NDArray[np.float32]) -> list[Hop]:
        """Take in sound and return the hops that it completed.

        Args:
            samples: Shape (frames,), float32, full scale is 1.0; any number of frames; not kept or changed.

        Raises:
            ValueError: ``samples`` does not have one dimension.
        """
        if samples.ndim != 1:
            raise ValueError(f"samples must have the shape (frames,), got {samples.shape!r}")
        hops = []
        start = 0
        while start < len(samples):
            taken = min(self.hop - self._filled, len(samples) - start)
            self._waiting[self._filled : self._filled + taken] = samples[start : start + taken]
            self._filled += taken
            start += taken
            if self._filled == self.hop:
                hops.append(self._complete())
        return hops

    def _complete(self) -> Hop:
        sound = self._waiting
        self._filled = 0
        self._frame += self.hop
        with np.errstate(over="ignore", invalid="ignore"):
            energy = float(np.dot(sound, sound))
        if not isfinite(energy):
            self._mend(sound)
            energy = float(np.dot(sound, sound))
        total = float(sound.sum())
        self._dc += 0.01 * (total / self.hop - self._dc)
        mean_square = (energy - 2 * self._dc * total) / self.hop + self._dc**2
        level = max(SILENCE_DB, 10.0 * log10(max(mean_square, _QUIETEST)))
        magnitude = self._vocoder(sound).norm[: self._heard].astype(np.float64)
        squared = magnitude * magnitude
        power = np.add.reduceat(squared, self._starts)[:-1] * self._scale
        parts = squared.take(self._tone_bins, mode="clip") * self._tone_weights
        tones = 10.0 * np.log10(np.add.reduceat(parts, self._tone_starts) + _FLOOR)
        return Hop(self._frame, level, power, tones, sound.copy())

    def _mend(self, sound: NDArray[np.float32]) -> None:
        bad = ~np.isfinite(sound)
        self._not_finite += int(bad.sum())
        sound[bad] = 0.0
        np.clip(sound, -_LOUDEST_SAMPLE, _LOUDEST_SAMPLE, out=sound)


def _tone_filters(rate: int, window: int) -> NDArray[np.float64]:
    """Return triangular filters of unit sum: shape (TONES, window // 2 + 1). Above half the rate they are empty."""
    centres = np.geomspace(*_TONES_HZ, TONES)
    half = np.maximum(centres * (centres[1] / centres[0] - 1), _NARROWEST_HZ)
    weights = np.maximum(0, 1 - np.abs(np.fft.rfftfreq(window, 1 / rate) - centres[:, None]) / half[:, None])
    filters: NDArray[np.float64] = weights / np.maximum(weights.sum(axis=1, keepdims=True), 1e-9)
    return filters
