"""What items of the development corpus are made of: tapes of drummers and loops, beds, a tape deck, an echo."""

from __future__ import annotations

import csv
import subprocess
import tempfile
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

import mido
import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.signal import butter, lfilter, resample_poly, sosfilt

from tests.training.bank import folder_kit, font_plays
from tests.training.material import DRUMMERS_APART
from tests.training.performances import notes_of, slow_offset

RATE = 44_100
ITEM_S = 75.0
FONT_KITS = ("Black_Pearl_4_LV2.sf2", "Red_Zeppelin_4_LV2.sf2")
FOLDER_KITS = ("ColomboAcousticDrumkit", "ElectricEmpireKit")
KITS = (*FONT_KITS, *FOLDER_KITS)
TRAINED_KITS = ("BJA_Pacific", "ForzeeStereo", "GMRockKit", "Millo-Drums_v.1", "Millo_MultiLayered2")
"""Folders of hits that train, as many as those that never do."""

NOTE_OF_CLASS = (36, 38, 37, 42, 44, 46, 41, 45, 48, 49, 51, 53)
BEDS = ("ambi_choir", "ambi_dark_woosh", "ambi_drone", "ambi_glass_hum", "ambi_haunted_hum", "ambi_lunar_land",
        "ambi_piano", "ambi_sauna", "ambi_soft_buzz", "ambi_swoosh")  # fmt: skip

Signal = NDArray[np.float64]


@dataclass
class Tape:
    """A recording at normal speed.

    Attributes:
        sound: Shape (n,), mono.
        beats: Seconds, where the player sat.
    """

    sound: Signal
    beats: Signal


@dataclass
class Item:
    """One item of the corpus while it is built."""

    kind: str
    sound: Signal = field(default_factory=lambda: np.zeros(int(ITEM_S * RATE)))
    beats: list[float] = field(default_factory=list)
    segments: list[dict[str, object]] = field(default_factory=list)
    changes: list[float] = field(default_factory=list)


class Maker:
    """Makes items from the packages and the performances, all from one generator.

    Args:
        packages: Folder of the unpacked packages.
        grooves: Folder of the performances.
        seed: Seed of the generator.
        trained: Which of "drummers" and "kits" are to be those that train, for once.
    """

    def __init__(self, packages: Path, grooves: Path, seed: int, trained: Collection[str] = ()) -> None:
        self.rng = np.random.default_rng(seed)
        self.packages = packages
        rows = csv.DictReader((grooves / "info.csv").open())
        self.pieces = [
            (grooves / row["midi_filename"], float(row["bpm"]))
            for row in rows
            if (row["drummer"] in DRUMMERS_APART) != ("drummers" in trained)
            and row["beat_type"] == "beat"
            and row["time_signature"] == "4-4"
            and float(row["duration"]) > 12
        ]
        self.samples = Path("/usr/share/sonic-pi/samples")
        self.choice = TRAINED_KITS if "kits" in trained else KITS
        self.kits: dict[str, list[list[Signal]]] = {}

    def tape(self, low: float = 55, high: float = 170) -> Tape:
        """Return a drummer's tape of at least 170 s, looped where the performance is shorter."""
        fitting = [piece for piece in self.pieces if low <= piece[1] <= high]
        path, bpm = fitting[int(self.rng.integers(len(fitting)))]
        notes = notes_of(path, bpm)
        size = 4 * int(np.ceil(notes[-1, 0] / 4 - 0.1))
        notes = notes[notes[:, 0] < size - 0.1]
        offsets = slow_offset(notes[:, 0], size, bpm)
        times = int(np.ceil(170 * bpm / 60 / size))
        many = np.concatenate([notes + np.array([size * i, 0, 0]) for i in range(times)])
        beats = (np.arange(size * times) + np.tile(offsets, times)) * 60 / bpm
        at = many[:, 0] * 60 / bpm
        kit = str(self.rng.choice(self.choice))
        play = self.by_font if kit in FONT_KITS else self.by_samples
        return Tape(play(kit, at, many[:, 1].astype(int), many[:, 2]), beats)

    def by_font(self, kit: str, at: Signal, kinds: NDArray[np.int64], loud: Signal) -> Signal:
        """Return a performance played by a sound font."""
        midi = mido.MidiFile(ticks_per_beat=480)
        track = mido.MidiTrack()
        midi.tracks.append(track)
        ticks = [(int(max(t, 0) * 960), NOTE_OF_CLASS[k], v) for t, k, v in zip(at, kinds, loud, strict=True)]
        last = 0
        for tick, note, value in sorted(ticks):
            velocity = max(1, round(127 * value))
            track.append(mido.Message("note_on", channel=0, note=note, velocity=velocity, time=tick - last))
            last = tick
        return font_plays(self.packages / "usr/share/sounds/sf2" / kit, midi, RATE)

    def by_samples(self, kit: str, at: Signal, kinds: NDArray[np.int64], loud: Signal) -> Signal:
        """Return a performance played by a folder of hits; a drum the kit lacks is left out."""
        if kit not in self.kits:
            hits: list[list[Signal]] = [[] for _ in range(16)]
            for sound in folder_kit(self.packages / "usr/share/hydrogen/data/drumkits" / kit):
                hits[sound.kind].append(resample_poly(sound.samples, 147, 80))
            self.kits[kit] = hits
        out = np.zeros(int((at[-1] + 3) * RATE))
        for t, kind, value in zip(np.maximum(at, 0), kinds, loud, strict=True):
            layers = self.kits[kit][kind] or (self.kits[kit][3] if kind in (4, 5, 10, 11) else [])
            if not layers:
                continue
            hit = layers[min(len(layers) - 1, int(value * len(layers)))]
            start = int(t * RATE)
            hit = hit[: len(out) - start]
            out[start : start + len(hit)] += hit * value**1.5 * (0.35 if kind in (3, 4, 5, 10, 11) else 1)
        return out

    def loop(self, name: str, beats: int) -> Tape:
        """Return a real loop, tiled to 170 s."""
        sound, rate = soundfile.read(self.samples / f"{name}.flac", always_2d=True)
        mono = sound.mean(axis=1)
        times = int(np.ceil(170 * rate / len(mono)))
        return Tape(np.tile(mono, times), np.arange(beats * times) * len(mono) / rate / beats)

    def bed(self, level: float) -> Signal:
        """Return a bed as long as an item: a recorded texture slowed down, or steam, or a spoken line."""
        case = self.rng.random()
        if case < 0.2:
            noise = self.rng.normal(size=int(ITEM_S * RATE))
            slow = np.interp(np.arange(len(noise)), np.linspace(0, len(noise), 20), self.rng.uniform(0.2, 1, 20))
            band = butter(2, [self.rng.uniform(200, 1500), self.rng.uniform(3000, 8000)], "band", fs=RATE, output="sos")
            x = sosfilt(band, noise) * slow
        elif case < 0.35:
            x = self.spoken()
        else:
            sound, _ = soundfile.read(self.samples / f"{self.rng.choice(BEDS)}.flac", always_2d=True)
            x = resample_poly(sound.mean(axis=1), int(100 * self.rng.uniform(1.0, 2.2)), 100)
            fade = min(len(x) // 4, RATE)
            x[:fade] *= np.linspace(0, 1, fade)
            x[-fade:] *= np.linspace(1, 0, fade)
            step = len(x) - fade
            out = np.zeros(int(ITEM_S * RATE) + len(x))
            for start in range(0, int(ITEM_S * RATE), step):
                out[start : start + len(x)] += x
            x = out[: int(ITEM_S * RATE)]
        return x / (np.sqrt(np.mean(x**2)) + 1e-9) * 10 ** (level / 20)

    def spoken(self) -> Signal:
        """Return speech in a voice that no training scene has."""
        lines = "The tide table for the west channel. Slack water, then the ebb. Keep to the marks, slowly. " * 12
        voice = str(self.rng.choice(["en-gb-x-rp+m4", "en-029+f1", "en-us+m2"]))
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "speech.wav"
            subprocess.run(["espeak-ng", "-v", voice, "-s", "115", "-w", path, lines], check=True, capture_output=True)
            samples, rate = soundfile.read(path)
        x = resample_poly(samples, RATE, rate)
        return np.resize(x, int(ITEM_S * RATE))

    def speed(self, nominal: float, drift: float = 0.0) -> Signal:
        """Return a tape's speed at each frame of an item: nominal, a slow drift (part per item), wow and flutter."""
        t = np.arange(int(ITEM_S * RATE)) / RATE
        speed = nominal * np.exp(drift * np.cos(np.pi * t / ITEM_S + self.rng.uniform(0, 2 * np.pi)))
        for low, high, depth in ((0.4, 1.2, 0.003), (5, 9, 0.001)):
            speed *= 1 + depth * self.rng.uniform(0.3, 1) * np.sin(2 * np.pi * self.rng.uniform(low, high) * t)
        return speed

    def play(self, item: Item, tape: Tape, speed: Signal, begin: float, end: float, offset_s: float) -> None:
        """Lay a tape into an item between two times, from ``offset_s`` of the tape on, and write its beats."""
        first, last = int(begin * RATE), int(end * RATE)
        place = offset_s + np.concatenate([[0], np.cumsum(speed[first : last - 1])]) / RATE
        source = tape.sound
        if speed.max() > 1.2:
            source = lfilter(*butter(4, 18_000 / speed.max(), fs=RATE), source)
        sound = map_coordinates(source, [place * RATE], order=1, mode="constant")
        top = min(13_000 * float(np.median(speed)) ** 0.8, 16_000) * self.rng.uniform(0.5, 1)
        sound = lfilter(*butter(2, top, fs=RATE), sound)
        sound = np.tanh(sound / np.abs(sound).max() * self.rng.uniform(0.6, 2.0)) * 0.5
        fade = np.minimum(1, np.minimum(np.arange(len(sound)), np.arange(len(sound))[::-1]) / (0.01 * RATE))
        item.sound[first:last] += sound * fade
        heard = tape.beats[(tape.beats >= place[0]) & (tape.beats < place[-1])]
        item.beats += list(begin + np.interp(heard, place, np.arange(len(place)) / RATE))
        item.segments.append({"type": "beat", "start": begin, "end": end})

    def finished(self, item: Item, bed_db: float | None) -> Item:
        """Return the item with bed, hiss and level."""
        rms = float(np.sqrt(np.mean(item.sound**2))) or 0.1
        if bed_db is not None:
            item.sound = item.sound + self.bed(20 * np.log10(rms) + bed_db)
        item.sound = item.sound + self.rng.normal(size=len(item.sound)) * 10 ** (self.rng.uniform(-72, -52) / 20)
        item.sound = item.sound / np.abs(item.sound).max() * 10 ** (self.rng.uniform(-16, -2) / 20)
        return item


def echoed(sound: Signal, delay_s: Signal, feedback: float, level: float) -> Signal:
    """Return sound and its echoes; ``delay_s`` has a value each 1024 frames, 0.1 s or more."""
    line, out = np.zeros(len(sound)), sound.copy()
    for k, start in enumerate(range(0, len(sound), 1024)):
        stop = min(start + 1024, len(sound))
        at = (
            np.arange(start, stop) - np.linspace(delay_s[k], delay_s[min(k + 1, len(delay_s) - 1)], stop - start) * RATE
        )
        low = np.floor(at).astype(int)
        wet = np.where(low > 0, line[low] * (1 - (at - low)) + line[np.minimum(low + 1, start)] * (at - low), 0)
        line[start:stop] = sound[start:stop] + feedback * wet
        out[start:stop] += level * wet
    return out
