"""Turn planned scenes into sound and features, many at once, in torch (on a GPU where there is one)."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from tests.training.material import RATE
from tests.training.scene import FRAMES, SCENE_S

N = SCENE_S * RATE
HOP = RATE // 100
WINDOW = 1024
FFT_SIZE = 1_600_000
BANDS, BAND_LOW, BAND_HIGH = 32, 40.0, 9500.0
MEAN_S = 3.0
FLOOR_DB = -90.0
MOST_AT_ONCE = 24_000_000


@dataclass
class Bank:
    """All sounds in a row on the device, once as they are and once without the upper octave (for fast tapes).

    Attributes:
        samples: Shape (2 * total + 1,), int16.
        start: Shape (sounds,), where each sound starts.
        length: Shape (sounds,), frames.
        total: Frames of one copy.
    """

    samples: Tensor
    start: Tensor
    length: Tensor
    total: int

    @classmethod
    def load(cls, path: Path, device: torch.device) -> Bank:
        """Read the file that `tests.training.bank` writes."""
        from scipy.signal import firwin, oaconvolve

        b = np.load(path)
        plain = b["samples"]
        dull = oaconvolve(plain.astype(np.float32), firwin(63, 0.45).astype(np.float32), mode="same")
        both = np.concatenate([plain, np.clip(dull, -32767, 32767).astype(np.int16), [0]]).astype(np.int16)
        to = {"device": device}
        return cls(
            torch.from_numpy(both).to(**to),
            torch.from_numpy(b["start"]).to(**to),
            torch.from_numpy(b["length"]).to(**to),
            len(plain),
        )


def scattered(bank: Bank, events: Tensor, scenes: int) -> Tensor:
    """Return hits laid into scenes: shape (scenes, N).

    Args:
        bank: The sounds.
        events: Shape (n, 6): start in frames, sound, speed, gain, longest length in frames, scene.
        scenes: How many scenes.
    """
    out = torch.zeros(scenes * N, device=events.device)
    if not len(events):
        return out.view(scenes, N)
    sound = events[:, 1].long()
    rate = events[:, 2]
    whole = bank.length[sound] / rate
    size = torch.minimum(torch.minimum(whole - 2, events[:, 4]), N - events[:, 0] - 1).clamp(min=1)
    order = torch.argsort(size)
    sizes = size[order].cpu().numpy()
    end = len(order)
    while end > 0:  # longest first; every group is padded to its longest
        longest = int(sizes[end - 1]) + 1
        begin = max(0, end - max(1, MOST_AT_ONCE // longest))
        of = order[begin:end]
        add_group(bank, out, events[of], sound[of], size[of], longest)
        end = begin
    return out.view(scenes, N)


def add_group(bank: Bank, out: Tensor, events: Tensor, sound: Tensor, size: Tensor, longest: int) -> None:
    """Add some hits of about equal length to the flat ``out``."""
    i = torch.arange(longest, device=out.device)
    rate = events[:, 2:3].float()
    position = i * rate
    floor = position.long()
    fraction = position - floor
    dull = (rate > 1.35).long() * bank.total
    at = bank.start[sound][:, None] + dull + floor
    at.clamp_(max=2 * bank.total - 1)
    value = torch.lerp(bank.samples[at].float(), bank.samples[at + 1].float(), fraction)
    left = size[:, None].float() - i
    value *= (left / 240).clamp(0, 1) * (events[:, 3:4].float() / 32768)
    where = (events[:, 5].long() * N + events[:, 0].long())[:, None] + i
    inside = left > 0
    out.index_add_(0, where[inside], value[inside])


def echoed(x: Tensor, delay: Tensor, feedback: Tensor, level: Tensor, dark: int = 2) -> Tensor:
    """Return sound plus the repeats of a delay line whose time may glide.

    Args:
        x: Shape (scenes, N).
        delay: Shape (scenes, FRAMES), seconds, 0.105 or more.
        feedback: Shape (scenes,).
        level: Shape (scenes,), level of the first repeat.
        dark: Every pass is averaged with its neighbours at this distance in frames.
    """
    block = RATE // 10
    line = torch.zeros_like(x)
    out = torch.empty_like(x)
    ramp = torch.arange(block, device=x.device) / block
    reads = torch.cat([delay[:, :: FRAMES * block // N], delay[:, -1:]], 1) * RATE
    n = torch.arange(block, device=x.device)
    for k in range(N // block):
        d = torch.lerp(reads[:, k, None], reads[:, k + 1, None], ramp)
        position = k * block + n - d
        floor = position.floor()
        at = floor.long().clamp(min=dark)
        middle = torch.lerp(line.gather(1, at), line.gather(1, at + 1), position - floor)
        sides = line.gather(1, at - dark) + line.gather(1, at + dark)
        wet = (0.6 * middle + 0.2 * sides) * (floor >= dark)
        here = slice(k * block, (k + 1) * block)
        line[:, here] = x[:, here] + feedback[:, None] * wet
        out[:, here] = x[:, here] + level[:, None] * wet
    return out


class EchoRecorded:
    """`echoed` for many batches of one size on a GPU: its thousands of small steps are recorded once and played back.

    Args:
        scenes: Scenes in a batch.
        device: A GPU.
    """

    def __init__(self, scenes: int, device: torch.device) -> None:
        self._given = (
            torch.zeros(scenes, N, device=device),
            torch.zeros(scenes, FRAMES, device=device),
            torch.zeros(scenes, device=device),
            torch.zeros(scenes, device=device),
        )
        self._graph = torch.cuda.CUDAGraph()
        with torch.cuda.graph(self._graph):
            self._out = echoed(*self._given)

    @classmethod
    @functools.cache
    def of(cls, scenes: int, device: torch.device) -> EchoRecorded:
        """Return the record for a size, made once."""
        return cls(scenes, device)

    def __call__(self, *given: Tensor) -> Tensor:
        """Return what `echoed` would, from the same arguments."""
        for mine, new in zip(self._given, given, strict=True):
            mine.copy_(new)
        self._graph.replay()
        return self._out.clone()


def shaped(spectrum: Tensor, points: Tensor) -> Tensor:
    """Return spectra of noise coloured by dB values at points evenly spread in log frequency, 30 Hz to 12 kHz."""
    hz = torch.fft.rfftfreq(FFT_SIZE, 1 / RATE, device=spectrum.device).clamp(min=30)
    position = torch.log(hz / 30) / np.log(12_000 / 30) * (points.shape[1] - 1)
    low = position.floor().long().clamp(max=points.shape[1] - 2)
    db = torch.lerp(points[:, low], points[:, low + 1], position - low)
    return spectrum * 10 ** (db / 20)


def upsampled(curve: Tensor) -> Tensor:
    """Return curves at 100 points a second, shape (..., FRAMES), at the rate of the sound by straight lines."""
    flat = curve.reshape(-1, 1, FRAMES)
    up = torch.nn.functional.interpolate(flat, N, mode="linear", align_corners=False)
    return up.view(*curve.shape[:-1], N)


def beds(scenes: dict[str, Tensor], generator: torch.Generator) -> Tensor:
    """Return the beds of some scenes: shape (scenes, N)."""
    device = scenes["noise"].device
    white = torch.randn(len(scenes["noise"]), FFT_SIZE, device=device, generator=generator)
    noise = torch.fft.irfft(shaped(torch.fft.rfft(white), scenes["colour"]), FFT_SIZE)[:, :N]
    del white
    noise = noise / noise.square().mean(1, keepdim=True).sqrt().clamp(min=1e-9) * 0.2
    bed = noise * upsampled(scenes["noise"])
    t = torch.arange(N, device=device, dtype=torch.float64) / RATE
    for k in range(scenes["tone_hz"].shape[1]):
        turns = (scenes["tone_hz"][:, k, None].double() * t) % 1.0
        bed += torch.sin(2 * np.pi * turns.float()) * upsampled(scenes["tone"][:, k].float())
    return bed


def through_tape(x: Tensor, tape: Tensor, generator: torch.Generator) -> Tensor:
    """Return sound after band limits, reverb, drive and hiss; ``tape`` as `random_tape` of the surroundings tells."""
    low, high, drive, hiss, reverb_s, wet = (tape[:, i, None] for i in range(6))
    hz = torch.fft.rfftfreq(FFT_SIZE, 1 / RATE, device=x.device)
    response = 1 / torch.sqrt(1 + (hz / high) ** 6) / torch.sqrt(1 + (low / hz.clamp(min=1)) ** 4)
    t = torch.arange(2 * RATE, device=x.device) / RATE
    tail = torch.randn(len(x), len(t), device=x.device, generator=generator) * torch.exp(-6.9 * t / reverb_s)
    tail = tail / tail.square().sum(1, keepdim=True).sqrt() * wet
    room = 1 + torch.fft.rfft(tail, FFT_SIZE)
    y = torch.fft.irfft(torch.fft.rfft(x, FFT_SIZE) * response * room, FFT_SIZE)[:, :N]
    y = torch.tanh(y * drive) / drive
    return y + hiss * torch.randn(y.shape, device=y.device, generator=generator)


def band_filters(rate: float, window: int) -> np.ndarray:
    """Return triangular filters over the bins of a power spectrum: shape (BANDS, window // 2 + 1).

    Each filter has unit weight at its centre and is at least 1.5 bins of 23.4 Hz wide to either side, so that the
    bands are the same in Hz, and nearly in level, at every rate.
    """
    centres = np.geomspace(BAND_LOW, BAND_HIGH, BANDS)
    ratio = centres[1] / centres[0]
    half = np.maximum(centres * (ratio - 1), 1.5 * 23.4375)
    hz = np.fft.rfftfreq(window, 1 / rate)
    weights = np.maximum(0, 1 - np.abs(hz - centres[:, None]) / half[:, None])
    return weights / weights.sum(axis=1, keepdims=True)


def features(x: Tensor) -> Tensor:
    """Return what the net hears: shape (scenes, FRAMES, 2 * BANDS).

    Band levels in dB over a causal running mean, and their change since the frame before, both over 10. Frame n hears
    the sound up to (n + 1) * HOP.
    """
    window = torch.hann_window(WINDOW, device=x.device)
    filters = torch.from_numpy(band_filters(RATE, WINDOW)).float().to(x.device).T
    padded = torch.nn.functional.pad(x, (WINDOW - HOP, 0))
    power = torch.fft.rfft(padded.unfold(1, WINDOW, HOP) * window).abs().square() * (2 / window.sum()) ** 2
    db = 10 * torch.log10(power @ filters + 10 ** (FLOOR_DB / 10))
    return normalised(db)


def normalised(db: Tensor) -> Tensor:
    """Return band levels less their running mean, and their change: shape (scenes, frames, 2 * bands)."""
    count = db.shape[1]
    keep = 1 - 1 / (MEAN_S * 100)
    kernel = (1 - keep) * keep ** torch.arange(count, device=db.device, dtype=torch.float64)
    above = (db - db[:, :1]).double()
    size = 2 * count
    spectrum = torch.fft.rfft(above, size, dim=1) * torch.fft.rfft(kernel, size)[:, None]
    mean = torch.fft.irfft(spectrum, size, dim=1)[:, :count]
    level = (above - mean).float() / 10
    change = torch.diff(db, dim=1, prepend=db[:, :1]) / 10
    return torch.cat([level, change], 2).clamp(-4, 4)


def with_echo(x: Tensor, delay: Tensor, echo: Tensor) -> Tensor:
    """Return sound with the repeats of those scenes that have an echo; ``echo``: feedback and level of each scene."""
    if x.is_cuda:  # all scenes, as the record is of one size: a level of 0 adds nothing, 0.105 s is the least delay
        record = EchoRecorded.of(len(x), x.device)
        return record(x, delay.clamp(min=0.105), echo[:, 0], echo[:, 1])
    wet = torch.nonzero(echo[:, 1] > 0)[:, 0]
    out = x.clone()
    if len(wet):
        out[wet] = echoed(x[wet], delay[wet], echo[wet, 0], echo[wet, 1])
    return out


def sound_of(bank: Bank, scenes: dict[str, Tensor], generator: torch.Generator, chunk: int = 32) -> Tensor:
    """Return the sound of scenes that `tests.training.scene.stacked` put together: shape (scenes, N)."""
    count = len(scenes["delay"])
    drums = scattered(bank, scenes["events"], count)
    loose = scattered(bank, scenes["dry_events"], count)
    for i in range(0, count, chunk):
        drums[i : i + chunk] = through_tape(drums[i : i + chunk], scenes["tape"][i : i + chunk], generator)
    drums = with_echo(drums, scenes["delay"], scenes["echo"])
    for i in range(0, count, chunk):
        part = {name: value[i : i + chunk] for name, value in scenes.items()}
        mix = drums[i : i + chunk] + loose[i : i + chunk] + beds(part, generator)
        peak = mix.abs().amax(1, keepdim=True).clamp(min=0.05)
        drums[i : i + chunk] = mix / peak * upsampled(part["gain"])
    return drums


def features_of(bank: Bank, scenes: dict[str, Tensor], generator: torch.Generator, chunk: int = 32) -> Tensor:
    """Return the features of planned scenes: shape (scenes, FRAMES, 2 * BANDS)."""
    sound = sound_of(bank, scenes, generator, chunk)
    return torch.cat([features(sound[i : i + chunk]) for i in range(0, len(sound), chunk)])
