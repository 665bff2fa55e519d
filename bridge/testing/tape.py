"""A tape machine made of numbers: recordings that wander in speed, with the exact place of every beat.

One curve of speed against time rules everything: pitch, tempo, where each beat falls. It is laid down first
(`TapeMachine.speed`), then any recording is played along it (`TapeMachine.play`), so several tracks of one tape move
together. Sound is mono; times are seconds from the first frame played; speed is a factor, 1 at normal speed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, ndimage, signal

Sound = NDArray[np.float64]

_OVERSAMPLING = (
    4  # a cubic spline on sound at four times its rate leaves images below -80 dB where tapes have any sound
)
_SLOWEST_HEARD = (
    0.4  # the playback head fades below this speed: it hears change of flux, and equalisation hides no more
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """What is on a tape: one pass of a loop, repeated as long as it plays.

    Attributes:
        name: The tape's name.
        sound: Shape (frames,), full scale is 1.0.
        rate: Frames per second at normal speed; need not be whole.
        beats_s: Shape (beats,), increasing: where the beats of one pass fall, in seconds at normal speed; empty for a
            tape without a beat.

    Raises:
        ValueError: The sound is empty, not mono or not finite, or a beat is out of order or outside the pass.
    """

    name: str
    sound: Sound
    rate: float
    beats_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        if self.sound.ndim != 1 or not len(self.sound) or not np.isfinite(self.sound).all():
            raise ValueError(f"sound must be finite and of shape (frames,), got shape {self.sound.shape}")
        if not self.rate > 0:
            raise ValueError(f"rate must be above 0 frames a second, got {self.rate!r}")
        edges = np.concatenate([[-np.finfo(float).tiny], self.beats_s, [self.length_s]])
        if not (np.diff(edges) > 0).all():  # NaN fails too
            raise ValueError(f"beats must increase within 0..{self.length_s:g} s, got {self.beats_s!r}")

    @property
    def length_s(self) -> float:
        """Length of one pass at normal speed, in seconds."""
        return len(self.sound) / self.rate

    @property
    def tempo(self) -> float:
        """Tempo at normal speed in bpm; NaN for a tape without a beat."""
        return 60.0 * len(self.beats_s) / self.length_s if len(self.beats_s) else float("nan")

    def beats_within(self, end_s: float) -> NDArray[np.float64]:
        """Return every beat from the tape's beginning up to ``end_s``, in seconds at normal speed."""
        passes = np.arange(int(end_s // self.length_s) + 1)
        beats = (passes[:, None] * self.length_s + self.beats_s).ravel()
        return np.asarray(beats[beats <= end_s])


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """The hand at the transport: from ``time_s`` on the speed glides to ``speed``.

    Attributes:
        time_s: When it begins, in seconds from the first frame.
        speed: 0 for stop, 0.5 half, 1 normal, 2 double.
        glide_s: How long the motor takes.

    Raises:
        ValueError: The speed is not 0..4, or the glide is not 0.001..10 s.
    """

    time_s: float
    speed: float
    glide_s: float = 0.4

    def __post_init__(self) -> None:
        if not 0.0 <= self.speed <= 4.0:
            raise ValueError(f"speed must be 0..4 times normal, got {self.speed!r}")
        if not 0.001 <= self.glide_s <= 10.0:
            raise ValueError(f"glide_s must be 0.001..10 s, got {self.glide_s!r}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pass:
    """One pass of a recording under the head.

    Attributes:
        recording: What was played.
        rate: Frames per second of ``sound``.
        speed: Shape (frames,): speed at each frame.
        position_s: Shape (frames,): place on the tape at each frame, in seconds at normal speed; never falls.
        sound: Shape (frames,): what the head heard, without hiss.
    """

    recording: Recording
    rate: int
    speed: NDArray[np.float64]
    position_s: NDArray[np.float64]
    sound: Sound

    def beats_s(self) -> NDArray[np.float64]:
        """Return when each beat passed the head, in seconds from the first frame; strictly increasing.

        The last beat is before the last frame. A beat on which the tape stood still passes when it moves on.
        """
        beats = self.recording.beats_within(self.position_s[-1])
        after = np.searchsorted(self.position_s, beats, side="right")
        beats, after = beats[after < len(self.position_s)], after[after < len(self.position_s)]
        start, step = self.position_s[after - 1], self.position_s[after] - self.position_s[after - 1]
        return np.asarray((after - 1 + (beats - start) / step) / self.rate)

    def tempo_at(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Return the true tempo in bpm at times in seconds from the first frame; NaN for a tape without a beat."""
        frames = np.asarray(time_s, dtype=np.float64) * self.rate
        return np.asarray(self.recording.tempo * np.interp(frames, np.arange(len(self.speed)), self.speed))


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeMachine:
    """A cassette deck in fair order: about 0.15 % weighted wow and flutter (CHECK_VALUES 1.1: DIN 45500 allows 0.2 %).

    Attributes:
        rate: Frames per second that it puts out.
        wow: Peak of the slow wobble, as a fraction of the speed; 0..0.05.
        wow_hz: Its rate at normal speed; it turns with the capstan, so half speed halves it.
        flutter: Peak of the fast wobble, as a fraction of the speed; 0..0.05.
        flutter_hz: Its rate at normal speed.
        scrape: RMS of the rough part of the wobble between 20 and 80 Hz, as a fraction of the speed; 0..0.01.
        low_hz: Lower end of the sound at normal speed.
        high_hz: Upper end of the sound at normal speed. Both are wavelengths on the tape: they move with the speed.
        drive: How far the recording was pushed: 0.1 is clean, 1 is warm, 3 is squashed.
        level: Peak of the output, full scale is 1.0.
        hiss_db: RMS of the hiss of a running tape in dB relative to full scale.

    Raises:
        ValueError: A wobble is out of range.
    """

    rate: int = 48_000
    wow: float = 0.0022
    wow_hz: float = 0.7
    flutter: float = 0.0009
    flutter_hz: float = 8.0
    scrape: float = 0.0
    low_hz: float = 40.0
    high_hz: float = 11_000.0
    drive: float = 0.8
    level: float = 0.5
    hiss_db: float = -60.0

    def __post_init__(self) -> None:
        for name, value, most in (
            ("wow", self.wow, 0.05),
            ("flutter", self.flutter, 0.05),
            ("scrape", self.scrape, 0.01),
        ):
            if not 0.0 <= value <= most:
                raise ValueError(f"{name} must be 0..{most:g} of the speed, got {value!r}")

    def speed(
        self,
        length_s: float,
        moves: tuple[Move, ...],
        rng: np.random.Generator,
        drift: tuple[tuple[float, float], ...] = (),
    ) -> NDArray[np.float64]:
        """Return the speed at every frame: the hand's moves, times drift and varispeed, times wow and flutter.

        Args:
            length_s: How long, in seconds.
            moves: In the order of their times. The tape stands still before the first.
            rng: Where the wobble gets its phases from.
            drift: Points (seconds, fraction), in order, such as ``(10.0, -0.03)`` for 3 % slow at 10 s. Smooth between
                them, level outside; this is the varispeed knob as well.

        Returns:
            Shape (frames,), 0 or more.

        Raises:
            ValueError: Moves or drift are out of order, or the drift is not within -0.5..1.
        """
        time_s = np.arange(round(length_s * self.rate)) / self.rate
        nominal = np.zeros(len(time_s))
        _in_order([move.time_s for move in moves])
        for move in moves:  # a move that begins within the glide before it goes on from there
            first = int(np.searchsorted(time_s, move.time_s))
            begun = nominal[first - 1] if first else 0.0
            nominal[first:] = begun + (move.speed - begun) * _smooth((time_s[first:] - move.time_s) / move.glide_s)
        return np.asarray(nominal * (1.0 + _curve(time_s, drift)) * (1.0 + self._wobble(nominal, rng)))

    def _wobble(self, nominal: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
        turned = 2 * np.pi * np.cumsum(nominal) / self.rate
        wow_phase, flutter_phase = rng.uniform(0, 2 * np.pi, 2)
        wobble = self.wow * np.sin(self.wow_hz * turned + wow_phase)
        wobble += self.flutter * np.sin(self.flutter_hz * turned + flutter_phase)
        if self.scrape > 0:
            band = signal.butter(2, (20.0, 80.0), "bandpass", fs=self.rate, output="sos")
            rough = signal.sosfilt(band, rng.standard_normal(len(nominal)))
            wobble += np.clip(self.scrape / max(float(np.std(rough)), 1e-12) * rough, -0.5, 0.5)
        return np.asarray(wobble)

    def play(self, recording: Recording, speed: NDArray[np.float64]) -> Pass:
        """Return what the head hears of a recording, from its beginning, along a curve of speed.

        Args:
            recording: What is on the tape.
            speed: Shape (frames,), one or more, 0 or more, as `speed` gives it.

        Raises:
            ValueError: The curve is empty, or falls below 0: a tape never runs backwards here.
        """
        if not (len(speed) and np.min(speed) >= 0):  # NaN fails too
            raise ValueError("a curve of speed needs one frame or more, each 0 or above")
        steps = (speed[:-1] + speed[1:]) / (2 * self.rate)
        position_s = np.concatenate([[0.0], np.cumsum(steps)])
        sound = self._read(recording, position_s * recording.rate, speed * recording.rate / self.rate)
        sound *= self.level * head_gain(speed)
        return Pass(recording=recording, rate=self.rate, speed=speed, position_s=position_s, sound=sound)

    def hiss(self, speed: NDArray[np.float64], rng: np.random.Generator) -> Sound:
        """Return the noise beside the recording: tape hiss while the tape moves, 20 dB less of it while it stands."""
        noise = np.diff(rng.standard_normal(len(speed) + 1)) + 0.7 * rng.standard_normal(len(speed))
        rms = 10.0 ** (self.hiss_db / 20.0) / np.sqrt(2.49)  # the variances of the two parts: 2 and 0.49
        return np.asarray(rms * noise * (0.1 + 0.9 * head_gain(speed)))

    def _read(self, recording: Recording, frames: NDArray[np.float64], step: NDArray[np.float64]) -> Sound:
        """Read at fractional frames; where one step skips frames, from copies cut ever lower, so that nothing folds.

        Copy ``n`` is cut at half the rate over 2 to the power of n/2, and is used where steps are shorter than the
        power of (n-1)/2; neighbouring copies are faded into each other.
        """
        spectrum = self._spectrum(recording)
        sound = np.zeros(len(frames))
        depth = np.maximum(0.0, 2.0 * np.log2(np.maximum(step, 1e-9)) + 1.0)
        for copy in range(int(np.ceil(depth.max())) + 1):
            weight = np.maximum(0.0, 1.0 - np.abs(depth - copy))
            used = np.flatnonzero(weight)
            if len(used):
                spline = _spline(spectrum, len(recording.sound), 2.0 ** (-copy / 2))
                at = [frames[used] * (len(spline) / len(recording.sound))]
                sound[used] += weight[used] * ndimage.map_coordinates(
                    spline, at, order=3, mode="grid-wrap", prefilter=False
                )
        return sound

    def _spectrum(self, recording: Recording) -> NDArray[np.complex128]:
        """Return the spectrum of one pass, saturated and then cut to the band that tape and head carry."""
        frames = len(recording.sound)
        wide = fft.irfft(fft.rfft(recording.sound), frames * _OVERSAMPLING) * _OVERSAMPLING
        spectrum = fft.rfft(np.tanh(self.drive * wide) / np.tanh(self.drive))[: frames // 2 + 1]
        hertz = fft.rfftfreq(frames, 1.0 / recording.rate)
        high = 1.0 / np.sqrt(1.0 + (hertz / self.high_hz) ** 8)
        low = 1.0 - 1.0 / np.sqrt(1.0 + (hertz / self.low_hz) ** 4)
        return np.asarray(spectrum * high * low)


def head_gain(speed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much of the level comes through at a speed: all from 0.4 on, less below, nothing at rest."""
    return np.asarray(np.sin(np.pi / 2 * np.minimum(1.0, speed / _SLOWEST_HEARD)))


def _spline(spectrum: NDArray[np.complex128], frames: int, keep: float) -> Sound:
    """Return spline coefficients of one pass with the lowest ``keep`` of its band left, oversampled to match."""
    share = np.arange(len(spectrum)) / (frames / 2)
    kept = spectrum[share <= keep] * (1.0 - _smooth((share[share <= keep] / keep - 0.9) / 0.1))
    length = fft.next_fast_len(int(np.ceil(frames * keep * _OVERSAMPLING)), real=True)
    wide = fft.irfft(kept, length) * (length / (frames * _OVERSAMPLING))
    return np.asarray(ndimage.spline_filter1d(wide, order=3, mode="grid-wrap"))


def _curve(time_s: NDArray[np.float64], points: tuple[tuple[float, float], ...]) -> NDArray[np.float64]:
    """Return the values of a curve through points, smooth between them and level outside."""
    curve = np.zeros(len(time_s)) if not points else np.full(len(time_s), points[0][1])
    _in_order([point[0] for point in points])
    for (begin_s, before), (end_s, after) in pairwise(points):
        curve += (after - before) * _smooth((time_s - begin_s) / (end_s - begin_s))
    if len(curve) and not (curve.min() >= -0.5 and curve.max() <= 1.0):  # NaN fails too
        raise ValueError(f"drift must stay within -0.5..1 of the speed, got {points!r}")
    return curve


def _smooth(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 0 below 0, 1 above 1, and half a cosine between."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0)))


def _in_order(times: list[float]) -> None:
    if not all(before < after for before, after in pairwise(times)):
        raise ValueError(f"times must increase, got {times!r}")
