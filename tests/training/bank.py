"""Build the bank of single drum hits, notes and spoken lines that the training scenes are made of.

    python -m tests.training.bank --packages FOLDER --out bank.npz

FOLDER holds the unpacked Debian packages fluid-soundfont-gm, fluid-soundfont-gs, timgm6mb-soundfont,
hydrogen-drumkits, hydrogen-drumkits-effects and hydrogen-data (``apt-get download NAME``, ``dpkg -x NAME.deb FOLDER``);
fluidsynth and espeak-ng must be installed. The kits `tests.training.material.KITS_APART` belong to the development
corpus: no bank for training ever holds them.
"""

from __future__ import annotations

import argparse
import logging
import struct
import subprocess
import tempfile
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

from tests.training.material import CLASSES, KITS_APART, RATE

log = logging.getLogger(__name__)

LONGEST_S = (0.7, 0.6, 0.4, 0.25, 0.3, 1.0, 1.0, 0.8, 0.8, 1.6, 1.2, 1.2, 0.6, 2.4, 12.0)
"""Where a sound is faded out, by class, in seconds."""

GM_NOTES = (36, 38, 37, 42, 44, 46, 41, 45, 50, 49, 51, 53, 39, 54, 56, 63, 70, 75)
GM_CLASSES = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 12, 12, 12, 12, 12)
VELOCITIES = (50, 110)

TONE_PROGRAMS = (0, 4, 11, 16, 24, 26, 32, 35, 48, 52, 61, 73, 89, 91, 94)
TONE_NOTES = (36, 55)

WORDS = (
    (
        "kick",
        0,
    ),
    ("bass drum", 0),
    ("bd", 0),
    ("side", 2),
    ("stick", 2),
    ("rim", 2),
    ("snare", 1),
    ("sn", 1),
    ("pedal", 4),
    ("open", 5),
    ("hh", 3),
    ("hat", 3),
    ("floor", 6),
    ("low tom", 6),
    ("tom low", 6),
    ("tom", 7),
    ("crash", 9),
    ("splash", 9),
    ("china", 9),
    ("bell", 11),
    ("ride", 10),
    ("cymbal", 10),
)
"""How the name of a kit's instrument tells its class; the first word found wins."""

LINES = (
    "High water at four in the morning, low water at ten past ten.",
    "The ferry leaves from the north quay. Mind the step, and hold the rail.",
    "Wind south west, backing south, five or six. Rain later. Moderate, occasionally poor.",
    "Two long, one short, then silence. That was the fog signal, forty years ago.",
    "She wrote the numbers down each night, and nobody ever asked to see them.",
)


@dataclass(frozen=True)
class Sound:
    """One sound of the bank.

    Attributes:
        kit: Name of the kit or sound font preset.
        kind: Index into `CLASSES`.
        loud: 0 for the softest layer to 1.
        samples: Shape (n,), float, any scale.
    """

    kit: str
    kind: int
    loud: float
    samples: NDArray[np.float64]


def drum_presets(font: Path) -> list[tuple[int, str]]:
    """Return program number and name of the presets in bank 128 of a sound font.

    Source: SoundFont Technical Specification 2.04, section 7.2 (the PHDR sub-chunk, 38 bytes a record).
    """
    data = font.read_bytes()
    start = data.rindex(b"phdr") + 8
    size = struct.unpack("<I", data[start - 4 : start])[0]
    presets = []
    for at in range(start, start + size - 38, 38):
        name, program, bank = struct.unpack("<20sHH", data[at : at + 24])
        if bank == 128:
            presets.append((program, name.split(b"\0")[0].decode("latin-1").strip()))
    return sorted(presets)


def font_plays(font: Path, midi: mido.MidiFile, rate: int) -> NDArray[np.float64]:
    """Return a MIDI file played dry by a sound font, shape (frames,), at ``rate`` frames per second."""
    with tempfile.TemporaryDirectory() as folder:
        score, sound = Path(folder) / "score.mid", Path(folder) / "sound.wav"
        midi.save(score)
        command = ["fluidsynth", "-niq", "-R", "0", "-C", "0", "-g", "0.6", "-r", str(rate), "-F", sound, font, score]
        subprocess.run(command, check=True, capture_output=True)
        samples, _ = soundfile.read(sound, always_2d=True)
    mono: NDArray[np.float64] = samples.mean(axis=1)
    return mono


def rendered(font: Path, program: int, notes: tuple[int, ...], channel: int, gap_s: float) -> NDArray[np.float64]:
    """Return notes of a preset, each at every velocity, shape (notes, velocities, frames of ``gap_s``)."""
    midi = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    track.append(mido.Message("program_change", channel=channel, program=program))
    tick = round(gap_s * 960)
    for note in notes:
        for velocity in VELOCITIES:
            track.append(mido.Message("note_on", channel=channel, note=note, velocity=velocity))
            track.append(mido.Message("note_off", channel=channel, note=note, time=tick))
    samples = font_plays(font, midi, 2 * RATE)
    count, frames = len(notes) * len(VELOCITIES), round(gap_s * 2 * RATE)
    mono = np.zeros(count * frames)
    mono[: min(len(samples), len(mono))] = samples[: len(mono)]
    halved = resample_poly(mono, 1, 2)
    return halved.reshape(len(notes), len(VELOCITIES), -1)


def font_kits(font: Path) -> Iterator[Sound]:
    """Yield every hit of every drum kit in a sound font."""
    for program, name in drum_presets(font):
        kit = f"{font.stem}: {name}"
        if kit.startswith(KITS_APART) or name.lower().startswith("orchestra"):
            continue
        hits = rendered(font, program, GM_NOTES, 9, 2.0)
        for kind, layers in zip(GM_CLASSES, hits, strict=True):
            for loud, samples in zip((0.3, 1.0), layers, strict=True):
                yield Sound(kit, kind, loud, samples)


def kind_of(name: str) -> int:
    """Return the class of a kit's instrument by its name."""
    lower = name.lower()
    for word, kind in WORDS:
        if word in lower:
            return 8 if kind == 7 and ("hi" in lower or "1" in lower) else kind
    return CLASSES.index("other")


def folder_kit(folder: Path, layers_most: int = 3) -> Iterator[Sound]:
    """Yield the hits of one unpacked Hydrogen drum kit, a few layers of each instrument."""
    root = ET.parse(folder / "drumkit.xml").getroot()
    for element in root.iter():
        element.tag = element.tag.split("}")[-1]
    for instrument in list(root.iter("instrument"))[:24]:
        kind = kind_of(instrument.findtext("name") or "")
        layers = list(instrument.iter("layer"))
        files = [(float(x.findtext("max") or 1.0), x.findtext("filename") or "") for x in layers] or [
            (1.0, instrument.findtext("filename") or "")
        ]
        files = sorted(files)
        picks = np.unique(np.linspace(0, len(files) - 1, layers_most).round().astype(int))
        for loud, file in (files[i] for i in picks):
            path = folder / file
            if not file or not path.is_file():
                continue
            samples, rate = soundfile.read(path, always_2d=True, frames=200_000)
            yield Sound(folder.name, kind, loud, resample_poly(samples.mean(axis=1), RATE, rate))


def tones(font: Path) -> Iterator[Sound]:
    """Yield long notes of pitched instruments, for beds, chords and basses."""
    for program in TONE_PROGRAMS:
        for layers in rendered(font, program, TONE_NOTES, 0, 2.4):
            yield Sound(f"{font.stem}: program {program}", CLASSES.index("tone"), 1.0, layers[-1])


def speech() -> Iterator[Sound]:
    """Yield spoken lines, in voices that the development corpus does not use."""
    for line, voice in zip(LINES, ("en-gb+m3", "en-us+f2", "en-gb-scotland+m1", "en-us+m7", "en-gb+f4"), strict=True):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "line.wav"
            subprocess.run(["espeak-ng", "-v", voice, "-s", "130", "-w", path, line], check=True, capture_output=True)
            samples, rate = soundfile.read(path)
        yield Sound(f"espeak-ng {voice}", CLASSES.index("speech"), 1.0, resample_poly(samples, RATE, rate))


def trimmed(sound: Sound) -> NDArray[np.int16] | None:
    """Return a sound from its onset to 45 dB below its peak, faded and at full scale; None where it is silent."""
    x = sound.samples
    peak = float(np.abs(x).max(initial=0.0))
    if not peak > 1e-4:
        return None
    loud = np.flatnonzero(np.abs(x) > 0.03 * peak)
    x = x[max(0, loud[0] - 24) : np.flatnonzero(np.abs(x) > 0.0056 * peak)[-1] + 1]
    x = x[: round(LONGEST_S[sound.kind] * RATE)].copy()
    fade = min(len(x), 480)
    x[len(x) - fade :] *= np.linspace(1.0, 0.0, fade)
    return (x * (32_000 / peak)).astype(np.int16)


def collected(packages: Path) -> Iterator[Sound]:
    """Yield every sound of the training bank."""
    fonts = packages / "usr/share/sounds/sf2"
    for name in ("FluidR3_GM.sf2", "FluidR3_GS.sf2", "TimGM6mb.sf2"):
        yield from font_kits(fonts / name)
    for folder in sorted((packages / "usr/share/hydrogen/data/drumkits").iterdir()):
        if not folder.name.startswith((*KITS_APART, "belofilms")):
            yield from folder_kit(folder)
    yield from tones(fonts / "FluidR3_GM.sf2")
    yield from speech()


def main() -> None:
    """Write the bank: one flat int16 array, and per sound its start, length, class, kit and loudness."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--packages", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    kept = [(sound, samples) for sound in collected(arguments.packages) if (samples := trimmed(sound)) is not None]
    kits = sorted({sound.kit for sound, _ in kept})
    lengths = np.array([len(samples) for _, samples in kept])
    np.savez_compressed(
        arguments.out,
        samples=np.concatenate([samples for _, samples in kept]),
        start=np.cumsum(lengths) - lengths,
        length=lengths,
        kind=np.array([sound.kind for sound, _ in kept]),
        kit=np.array([kits.index(sound.kit) for sound, _ in kept]),
        loud=np.array([sound.loud for sound, _ in kept]),
        kits=np.array(kits),
    )
    log.info("%d sounds of %d kits, %.0f s", len(kept), len(kits), lengths.sum() / RATE)


if __name__ == "__main__":
    main()
