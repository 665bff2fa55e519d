"""Tempos that others vouch for: recorded loops by sample count, and charted songs. Prints JSON: found against true.

``python -m tests.bench.outside [--seconds 20]``. The loops are the CC0 ones of Debian's sonic-pi-samples, whose beats
follow from their sample count (CHECK_VALUES 7.3; the counts of beats are inferred from round tempos), tiled and read at
0.5, 1, 1.06 and 2 times their speed. The songs, where a package with songs and their charts (``notes.mid`` beside
``song.ogg``) is unpacked under build/packages, have the tempo that their author charted (7.2). Each is followed with a
wide tempo range and with an octave around its true tempo. "same", "half" and "double" mean within 2 % of that; at ratio
2 and 0.5 a true tempo may lie outside the wide range, and is left out of it.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import mido
import mir_eval
import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

from bridge.rig import Deck
from tests.follow.sounds import Heard, hear

Sound = NDArray[np.float64]

RATE = 44_100
SAMPLES = Path("/usr/share/sonic-pi/samples")
PACKAGES = Path("build/packages")
LOOPS = {"breakbeat": (84_000, 4), "amen": (77_321, 4), "amen_full": (302_400, 16), "garzul": (352_800, 16),
         "mika": (352_800, 16), "perc1": (109_114, 4), "perc2": (109_114, 4), "compus": (286_054, 16),
         "mehackit1": (109_114, 4)}  # fmt: skip
"""Frames and beats of each loop. Source: CHECK_VALUES 7.3."""
SPEEDS = {"0.5": (2, 1), "1": (1, 1), "1.06": (50, 53), "2": (1, 2)}
"""How each speed is made: frames out, frames in."""
WIDE = (31.0, 213.0)
NEAR = 0.02
SETTLED_S = 10.0
SONG_S = 75.0


def loop_at(name: str, speed: str, seconds: float) -> tuple[Sound, float]:
    """Return a loop tiled and read at a speed, and its true tempo."""
    frames, beats = LOOPS[name]
    sound, rate = soundfile.read(SAMPLES / f"loop_{name}.flac", always_2d=True)
    if (len(sound), rate) != (frames, RATE):
        raise ValueError(f"loop_{name} has {len(sound)} frames at {rate} Hz, not {frames} at {RATE}: another recording")
    up, down = SPEEDS[speed]
    tiled = np.resize(sound.mean(axis=1), round(seconds * RATE * down / up))
    return resample_poly(tiled, up, down), 60.0 * RATE * beats / frames * down / up


def songs() -> Iterator[tuple[str, Sound, int, float, NDArray[np.float64]]]:
    """Yield name, sound, rate, charted tempo and beats in seconds of the songs that are there."""
    for chart in sorted(PACKAGES.rglob("notes.mid")):
        file = mido.MidiFile(chart)
        tempos = [message.tempo for track in file.tracks for message in track if message.type == "set_tempo"]
        if len(set(tempos)) != 1:
            continue
        stems = [soundfile.read(chart.parent / f"{stem}.ogg", always_2d=True) for stem in ("song", "guitar")]
        rate = stems[0][1]
        parts = [sound.mean(axis=1)[: round(SONG_S * rate)] for sound, _ in stems]
        sound = np.sum([part[: min(map(len, parts))] for part in parts], axis=0)
        period = tempos[0] / 1e6
        yield chart.parent.name, 0.5 * sound / np.abs(sound).max(), rate, 60 / period, np.arange(0, SONG_S, period)


def found(heard: Heard, rate: int, true: float) -> dict[str, Any]:
    """Return the median tempo once settled, and what it is of the true one."""
    tempos = heard.tempo_after(SETTLED_S, rate)
    if not len(tempos):
        return {"found": None, "is": "nothing"}
    tempo = float(np.median(tempos))
    names = {"same": 1.0, "half": 0.5, "double": 2.0}
    what = next((name for name, ratio in names.items() if abs(tempo / true / ratio - 1) <= NEAR), "other")
    return {"found": round(tempo, 2), "is": what}


def ranges(true: float) -> dict[str, tuple[float, float]]:
    """Return the ranges to look in: a wide one, if the tempo lies there, and an octave around the tempo."""
    octave = {"octave": (max(20.0, true / 1.4), min(400.0, true * 1.4))}
    return ({"wide": WIDE} if WIDE[0] <= true <= WIDE[1] else {}) | octave


def follow(sound: Sound, rate: int, span: tuple[float, float]) -> Heard:
    return hear(sound.astype(np.float32), rate, Deck(name="north", channels=(1,), tempo_range=span))


def loop_rows(seconds: float) -> Iterator[dict[str, Any]]:
    """Yield one row a loop, speed and range."""
    for name in LOOPS:
        for speed in SPEEDS:
            sound, true = loop_at(name, speed, seconds)
            for kind, span in ranges(true).items():
                told = found(follow(0.5 * sound, RATE, span), RATE, true)
                yield {"loop": name, "speed": speed, "true": round(true, 2), "range": kind} | told


def song_rows() -> Iterator[dict[str, Any]]:
    """Yield one row a song and range, with the F-measure after 5 s within 70 ms."""
    for name, sound, rate, true, beats in songs():
        for kind, span in ranges(true).items():
            heard = follow(sound, rate, span)
            placed = np.array([beat.frame / rate for beat in heard.beats])
            score = mir_eval.beat.f_measure(mir_eval.beat.trim_beats(beats), mir_eval.beat.trim_beats(placed))
            row = {"song": name, "true": round(true, 2), "range": kind} | found(heard, rate, true)
            yield row | {"f_measure": round(float(score), 3)}


def counted(rows: list[dict[str, Any]]) -> dict[str, dict[str, int]]:
    return {kind: dict(Counter(row["is"] for row in rows if row["range"] == kind)) for kind in ("wide", "octave")}


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seconds", type=float, default=20.0, help="of each loop, above 12 (default: 20)")
    seconds = options.parse_args().seconds
    result: dict[str, Any] = {"wide": WIDE, "near": NEAR}
    for name, rows in (
        ("loops", list(loop_rows(seconds)) if SAMPLES.is_dir() else []),
        ("songs", list(song_rows())),
    ):
        result[name] = {"count": counted(rows), "rows": rows} if rows else "absent"
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
