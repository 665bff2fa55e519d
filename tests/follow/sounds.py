"""Sounds to hear in tests: recorded drums along a curve of tempo, and sounds without a beat. All drawn from a seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

from bridge.decks.transport import Change, Transport
from bridge.follow.beat_line import Beat
from bridge.follow.features import Features
from bridge.follow.follower import Follower
from bridge.follow.state import StateMove
from bridge.rig import Deck
from bridge.testing.clips import CLIP_BEATS, drum_loop
from bridge.weights import learned

Sound = NDArray[np.float32]

RATE = 44_100
NORTH = Deck(name="north", channels=(1,), tempo_range=(40.0, 130.0))


@dataclass(frozen=True)
class Heard:
    """Everything that one deck's rooms made of a sound."""

    beats: list[Beat]
    moves: list[StateMove]
    changes: list[Change]

    def states(self) -> list[str]:
        return [move.now for move in self.moves]

    def kinds(self) -> list[str]:
        return [change.kind for change in self.changes]

    def tempo_after(self, time_s: float, rate: int = RATE) -> NDArray[np.float64]:
        return np.array([beat.tempo for beat in self.beats if beat.frame > time_s * rate])


def hear(sound: Sound, rate: int = RATE, deck: Deck = NORTH, blocks: tuple[int, ...] = (1 << 20,)) -> Heard:
    """Return what is heard in a sound given in blocks of these lengths, over and over, as the engine does it."""
    features, follower, transport = Features(rate), Follower(deck, rate, learned()), Transport(deck, rate)
    heard = Heard([], [], [])
    start = turn = 0
    while start < len(sound):
        block = blocks[turn % len(blocks)]
        turn += 1
        for hop in features.hear(sound[start : start + block]):
            for one in follower.hear(hop):
                (heard.beats if isinstance(one, Beat) else heard.moves).append(one)
            for change in transport.hear(hop, follower.state, follower.tempo, follower.octave.off):
                heard.changes.append(change)
                if change.kind == "another tape":
                    follower.tape_changed()
                elif change.kind == "speed switch" and change.tempo_before and change.tempo_after:
                    follower.tempo_moved_by(change.tempo_after / change.tempo_before)
            if transport.suspects_change:
                follower.tape_may_have_changed()
        start += block
    return heard


@cache
def _loop(clip: str) -> NDArray[np.float64]:
    return drum_loop(clip, name=clip, tempo=120.0).sound


def drums(clip: str, tempo: ArrayLike, seconds: float, rate: int = RATE, hiss: float = 0.002) -> Sound:
    """Return a shipped loop played at a tempo, or along a curve of tempos spread evenly over its length, with hiss."""
    loop = _loop(clip)
    frames = round(seconds * rate)
    points = np.atleast_1d(np.asarray(tempo, dtype=np.float64))
    curve = np.interp(np.linspace(0, 1, frames), np.linspace(0, 1, len(points)), points)
    place = np.cumsum(curve / 60.0 / rate) / CLIP_BEATS * len(loop)
    whole = place.astype(np.intp)
    part = place - whole
    played = (1 - part) * loop[whole % len(loop)] + part * loop[(whole + 1) % len(loop)]
    return (0.5 * played + np.random.default_rng(1).normal(0, hiss, frames)).astype(np.float32)


def switched(clip: str, before: float, after: float, seconds: float) -> Sound:
    """Return a shipped loop that runs on from one tempo to another, so many seconds each."""
    return drums(clip, np.repeat([before, after], 50), 2 * seconds)


def dulled_at_half(clip: str) -> Sound:
    """Return a shipped loop at 119 bpm that goes on at half the speed after 9 s, duller and quieter by 4 dB."""
    tempo = 84.0 * 2**0.5
    sound = switched(clip, tempo, tempo / 2, 9.0).astype(np.float64)
    sound[9 * RATE :] = 10 ** (-4 / 20) * signal.lfilter(*signal.butter(1, 1500, fs=RATE), sound[9 * RATE :])
    return sound.astype(np.float32)


def silence(seconds: float, rate: int = RATE) -> Sound:
    return np.random.default_rng(2).normal(0, 1e-4, round(seconds * rate)).astype(np.float32)


def hiss(seconds: float, rng: np.random.Generator) -> NDArray[np.float64]:
    return rng.normal(0, 0.02, round(seconds * RATE))


def breathing_noise(seconds: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return noise that swells every 2 to 10 s."""
    time_s = np.arange(round(seconds * RATE)) / RATE
    return rng.normal(0, 0.1, len(time_s)) * (0.6 + 0.4 * np.sin(2 * np.pi * time_s * rng.uniform(0.1, 0.5)))


def horns(seconds: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return low tones that swell each by itself, over a little hiss; some beat against each other."""
    time_s = np.arange(round(seconds * RATE)) / RATE
    sound = rng.normal(0, 0.004, len(time_s))
    for hertz in rng.uniform(60, 180, 4):
        for partial in (1, 2):
            swell = (0.5 + 0.5 * np.sin(2 * np.pi * time_s * rng.uniform(0.05, 0.3) + rng.uniform(0, 6))) ** 2
            sound += 0.1 / partial * swell * np.sin(2 * np.pi * partial * hertz * time_s)
    return sound


def detuned_tones(seconds: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return three steady tones, each beating against a neighbour 0.7 to 3 Hz away."""
    time_s = np.arange(round(seconds * RATE)) / RATE
    sound = rng.normal(0, 0.001, len(time_s))
    for hertz in rng.uniform(80, 600, 3):
        sound += 0.1 * np.sin(2 * np.pi * hertz * time_s)
        sound += 0.08 * np.sin(2 * np.pi * (hertz + rng.uniform(0.7, 3)) * time_s)
    return sound


def reading_voice(seconds: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return noise in syllables of 80 to 250 ms with pauses between phrases."""
    frames = round(seconds * RATE)
    loudness = np.zeros(frames)
    begin = 0.0
    while begin < seconds - 1:
        length = rng.uniform(0.08, 0.25)
        first, last = round(begin * RATE), round((begin + length) * RATE)
        loudness[first:last] = rng.uniform(0.3, 1) * np.hanning(last - first)
        begin += length + (rng.uniform(0.02, 0.08) if rng.random() < 0.8 else rng.uniform(0.2, 0.7))
    return rng.normal(0, 0.2, frames) * loudness + rng.normal(0, 0.003, frames)


BEDS: tuple[Callable[[float, np.random.Generator], NDArray[np.float64]], ...] = (
    hiss,
    breathing_noise,
    horns,
    detuned_tones,
    reading_voice,
)
