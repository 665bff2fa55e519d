"""What has no beat must start nothing: false starts an hour by kind. Prints JSON.

``python -m tests.bench.negatives [--minutes N] [--kinds hiss speech]``. Each kind is heard in pieces of two minutes,
each with other values drawn from its seed, by a fresh follower over 40 to 160 bpm; a start is a move to `following`.
Of the last five kinds nothing may come of what a hand does at the mixer or the deck: started and stopped aside, no
change of the deck may be told, and a tempo that is followed may not leave its place by more than 2 %. Speech needs
espeak-ng, and is left out without it.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, resample_poly, sosfilt

from bridge.rig import Deck
from bridge.testing.beds import fog_signal, kettle
from bridge.testing.clips import CLIP_BEATS, drum_loop
from bridge.testing.tape import Move, TapeMachine
from tests.follow.sounds import hear

Sound = NDArray[np.float64]

RATE = 24_000
PIECE_S = 120.0
ANY = Deck(name="north", channels=(1,))
TIME_S = np.arange(round(PIECE_S * RATE)) / RATE
WANTED = {"false_starts_an_hour": 1.0, "stepped": 0}
STEPPED = 0.02
SETTLED_S = 20.0
WORDS = "slack water ebb flood marks lantern ferry channel quay north south slowly again the a of to and"


def leveled(sound: Sound, rng: np.random.Generator) -> Sound:
    """Return a sound at a level drawn between -40 and -12 dB, over a tape's hiss at -72 to -52 dB."""
    sound = sound / max(1e-9, float(np.sqrt(np.mean(sound**2)))) * 10 ** (rng.uniform(-40, -12) / 20)
    return np.clip(sound, -1, 1) + rng.normal(0, 10 ** (rng.uniform(-72, -52) / 20), len(sound))


def hiss(rng: np.random.Generator) -> Sound:
    white = rng.standard_normal(len(TIME_S))
    return lfilter(*butter(1, rng.uniform(800, 10_000), fs=RATE), white)


def steam_and_rattle(rng: np.random.Generator) -> Sound:
    """Return the kettle, and bursts of a loose lid at times drawn by chance, some in flurries."""
    steam = kettle(PIECE_S, rng).sound[: len(TIME_S)]
    at = np.cumsum(rng.exponential(rng.uniform(0.15, 1.5), 2000))
    at = np.concatenate([at, *(t + np.cumsum(rng.exponential(0.05, 6)) for t in at[:: int(rng.integers(4, 12))])])
    return steam / np.std(steam) * 0.1 + strokes(at, rng, rng.uniform(900, 4000), 0.03)


def speech(rng: np.random.Generator) -> Sound:
    """Return a reading voice, as a tape at 0.7 to 1.2 times its speed."""
    lines = " ".join(
        " ".join(rng.choice(WORDS.split(), int(rng.integers(4, 14)))) + str(rng.choice([".", ",", "?"]))
        for _ in range(60)
    )
    voice = str(rng.choice(["en-gb-x-rp+m4", "en-029+f1", "en-us+m2", "de+m3", "fr+f2", "es+m1"]))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "speech.wav"
        pace = str(int(rng.integers(90, 190)))
        subprocess.run(["espeak-ng", "-v", voice, "-s", pace, "-w", path, lines], check=True, capture_output=True)
        samples, rate = soundfile.read(path)
    return np.resize(resample_poly(samples, RATE, round(rate * rng.uniform(0.7, 1.2))), len(TIME_S))


def tremolo(rng: np.random.Generator) -> Sound:
    """Return a chord or noise whose level swings 1 to 8 times a second."""
    depth, hertz = rng.uniform(0.2, 0.95), np.exp(rng.uniform(0, np.log(8)))
    tone = sum(np.sin(2 * np.pi * f * TIME_S + rng.uniform(0, 6)) for f in rng.uniform(80, 900, 4))
    sound = tone if rng.random() < 0.7 else hiss(rng)
    return sound * (1 + depth * np.sin(2 * np.pi * hertz * TIME_S))


def two_tones(rng: np.random.Generator) -> Sound:
    """Return two tones 1 to 3 Hz apart, with some partials."""
    low, apart = np.exp(rng.uniform(np.log(60), np.log(800))), rng.uniform(1, 3)
    return sum(
        (np.sin(2 * np.pi * k * low * TIME_S) + rng.uniform(0.5, 1) * np.sin(2 * np.pi * k * (low + apart) * TIME_S))
        / k**2
        for k in range(1, int(rng.integers(2, 6)))
    )


def hum(rng: np.random.Generator) -> Sound:
    """Return mains hum with partials, a little hiss, and a slow waver of the net."""
    turns = 2 * np.pi * rng.choice([50.0, 60.0]) * (TIME_S + 0.002 * np.sin(2 * np.pi * 0.1 * TIME_S))
    return sum(rng.uniform(0.1, 1) / k * np.sin(k * turns + rng.uniform(0, 6)) for k in (1, 2, 3, 5, 6, 10)) + 0.0


def mains_clicks(rng: np.random.Generator) -> Sound:
    """Return clicks as of a thermostat or a light switch, by chance, over hum."""
    at = np.cumsum(rng.exponential(rng.uniform(0.5, 12), 1000))
    return 0.02 * hum(rng) + strokes(at, rng, rng.uniform(1500, 6000), 0.003)


def footsteps(rng: np.random.Generator) -> Sound:
    """Return steps on gravel that falter: their gaps differ by a quarter to a half, with halts."""
    gaps = np.exp(rng.normal(np.log(rng.uniform(0.4, 1.0)), rng.uniform(0.25, 0.5), 600))
    gaps += rng.exponential(2.0, 600) * (rng.random(600) < 0.08)
    return strokes(np.cumsum(gaps), rng, rng.uniform(200, 1500), rng.uniform(0.03, 0.12))


def strokes(at_s: Sound, rng: np.random.Generator, hertz: float, decay_s: float) -> Sound:
    """Return bursts of coloured noise at times in seconds, each at its own level."""
    sound, length = np.zeros(len(TIME_S)), round(5 * decay_s * RATE) + 8
    band = butter(2, (0.6 * hertz, min(1.7 * hertz, 0.45 * RATE)), "bandpass", fs=RATE, output="sos")
    fall = np.exp(-np.arange(length) / (decay_s * RATE))
    for at in at_s[at_s < PIECE_S - 1]:
        first = round(at * RATE)
        sound[first : first + length] += rng.uniform(0.3, 1) * fall * sosfilt(band, rng.standard_normal(length))
    return sound


def bed(rng: np.random.Generator) -> Sound:
    return TapeMachine(rate=RATE).play(fog_signal(PIECE_S, rng), np.ones(len(TIME_S))).sound


def start_up_glide(rng: np.random.Generator) -> Sound:
    """Return beds of a deck that is started and stopped again and again, the motor gliding."""
    moves, now, runs = [], 1.0, False
    while now < PIECE_S - 6:
        runs = not runs
        moves.append(
            Move(time_s=now, speed=float(rng.choice([0.5, 1, 2])) if runs else 0.0, glide_s=rng.uniform(0.2, 3))
        )
        now += rng.uniform(3.2, 14)
    machine = TapeMachine(rate=RATE)
    tape = fog_signal(PIECE_S, rng) if rng.random() < 0.5 else kettle(60.0, rng)
    speed = machine.speed(PIECE_S, tuple(moves), rng)
    return machine.play(tape, speed).sound + machine.hiss(speed, rng)


def winding(rng: np.random.Generator) -> Sound:
    """Return drums under the head while the tape is wound, 8 to 25 times as fast and ever faster, with rests.

    The loop's beats are shuffled: wound, a loop that comes round in 16 beats would have a true pulse.
    """
    loop = drum_loop("gravel-path", name="gravel path", tempo=84.0)
    tape = np.array_split(loop.sound, CLIP_BEATS)
    sound = np.concatenate([tape[beat] for beat in rng.integers(0, CLIP_BEATS, 1500)])
    speed = np.zeros(len(TIME_S))
    begin = 1.0
    while begin < PIECE_S - 12:
        length = rng.uniform(4, 10)
        at = (begin <= TIME_S) & (begin + length > TIME_S)
        rise = np.clip((TIME_S[at] - begin) / 1.5, 0, 1) * np.clip((begin + length - TIME_S[at]) / 0.8, 0, 1)
        speed[at] = rise * np.linspace(rng.uniform(8, 14), rng.uniform(14, 25), int(at.sum()))
        begin += length + rng.uniform(1, 4)
    place = np.cumsum(speed) * loop.rate / RATE % (len(sound) - 1)
    sound = np.interp(place, np.arange(len(sound)), sound)
    return sosfilt(butter(2, 5_000, fs=RATE, output="sos"), sound) * np.minimum(speed, 1) * 0.3


def plug_pulled(rng: np.random.Generator) -> Sound:
    """Return a bed whose plug is pulled and pushed in again and again: bangs, crackle, hum while it hangs open."""
    sound, now = bed(rng) / 2, rng.uniform(5, 10)
    while now < PIECE_S - 10:
        gone = rng.uniform(0.5, 6)
        first, last = round(now * RATE), round((now + gone) * RATE)
        sound[first:last] = 0.05 * np.sin(2 * np.pi * 50 * TIME_S[first:last]) ** 3
        for at in (first, last, *rng.integers(first - 2000, first + 2000, 3), *rng.integers(last - 4000, last, 3)):
            sound[at : at + 300] += rng.uniform(-0.9, 0.9) * np.exp(-np.arange(300) / 60)
        now += gone + rng.uniform(3, 15)
    return sound


def ridden(sound: Sound, rng: np.random.Generator) -> Sound:
    """Return a sound under a fader that moves by up to 30 dB, over 0.3 to 8 s at a time, each time after a rest."""
    times, levels = [0.0], [0.0]
    while times[-1] < PIECE_S:
        times += [times[-1] + rng.uniform(3, 12), 0.0]
        times[-1] = times[-2] + rng.uniform(0.3, 8)
        levels += [levels[-1], -30.0 if levels[-1] > -15 else 0.0]
    return sound * 10 ** (np.interp(TIME_S, times, levels) / 20)


def bed_ridden(rng: np.random.Generator) -> Sound:
    return ridden(bed(rng), rng)


def drums_ridden(rng: np.random.Generator) -> Sound:
    """Return drums under the fader: here a beat is followed, and the ride must not move it."""
    clip = str(rng.choice(["gravel-path", "winch-room"]))
    machine = TapeMachine(rate=RATE, hiss_db=-70.0)
    speed = machine.speed(PIECE_S, (Move(time_s=0.5, speed=1.0),), rng)
    played = machine.play(drum_loop(clip, name=clip, tempo=DRUMS_TEMPO), speed)
    return ridden(played.sound, rng) + machine.hiss(speed, rng)


DRUMS_TEMPO = 90.0

SILENT: dict[str, Callable[[np.random.Generator], Sound]] = {
    "hiss": hiss,
    "steam and rattle": steam_and_rattle,
    "speech": speech,
    "tremolo": tremolo,
    "two tones": two_tones,
    "hum": hum,
    "mains clicks": mains_clicks,
    "footsteps": footsteps,
}
BY_HAND: dict[str, Callable[[np.random.Generator], Sound]] = {
    "start-up glide": start_up_glide,
    "winding": winding,
    "plug pulled": plug_pulled,
    "level ride of a bed": bed_ridden,
    "level ride of drums": drums_ridden,
}


def heard_piece(kind: str, seed: int) -> dict[str, Any]:
    """Return what came of a piece: false starts, seconds followed, changes told, and whether a followed tempo moved."""
    rng = np.random.default_rng([seed, sum(kind.encode())])
    sound = leveled(SILENT[kind](rng), rng) if kind in SILENT else BY_HAND[kind](rng)
    heard = hear(sound.astype(np.float32), RATE, ANY)
    ends = [*(move.frame for move in heard.moves[1:]), len(sound)]
    followed = [(e - m.frame) / RATE for m, e in zip(heard.moves, ends, strict=True) if m.now == "following"]
    tempo = np.array([beat.tempo for beat in heard.beats if beat.frame > SETTLED_S * RATE])
    return {
        "kind": kind,
        "starts": heard.states().count("following"),
        "followed_s": sum(followed),
        "changes_told": sum(change.kind not in ("started", "stopped") for change in heard.changes),
        "moved": bool(len(tempo)) and bool((np.abs(tempo / np.median(tempo) - 1) > STEPPED).any()),
    }


def measured(kind: str, pieces: list[dict[str, Any]]) -> dict[str, Any]:
    """Return what came of all pieces of a kind."""
    hours = len(pieces) * PIECE_S / 3600
    total = {what: sum(piece[what] for piece in pieces) for what in ("starts", "followed_s", "changes_told", "moved")}
    row: dict[str, Any] = {
        "minutes": round(60 * hours, 1),
        "followed_share": round(total["followed_s"] / 3600 / hours, 4),
    }
    if kind == "level ride of drums":
        return row | {"changes_told": total["changes_told"], "pieces_with_a_tempo_that_moved": total["moved"]}
    row |= {"false_starts": total["starts"], "false_starts_an_hour": round(total["starts"] / hours, 2)}
    return row | ({"changes_told": total["changes_told"]} if kind in BY_HAND else {})


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--minutes", type=float, default=20.0, help="of each kind (default: 20)")
    options.add_argument("--kinds", nargs="+", choices=[*SILENT, *BY_HAND], default=[*SILENT, *BY_HAND], metavar="KIND")
    chosen = options.parse_args()
    kinds = [kind for kind in chosen.kinds if kind != "speech" or shutil.which("espeak-ng")]
    pieces = max(1, round(chosen.minutes * 60 / PIECE_S))
    every = [(kind, seed) for kind in kinds for seed in range(pieces)]
    with ProcessPoolExecutor() as pool:
        heard = list(pool.map(heard_piece, *zip(*every, strict=True)))
    result = {
        "rate": RATE,
        "tempo_range": ANY.tempo_range,
        "kinds": {kind: measured(kind, [piece for piece in heard if piece["kind"] == kind]) for kind in kinds},
        "left_out": sorted(set(chosen.kinds) - set(kinds)),
        "wanted": WANTED,
    }
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
