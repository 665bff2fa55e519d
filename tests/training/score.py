"""Follow the development corpus with the next heart, for ``tools/score_beats.py`` to score.

    python -m tests.training.score --corpus CORPUS --out ESTIMATES [--hint]

Writes ITEM.est.txt: beat time and the time at which it was known, in seconds. With ``--hint`` each item's tempo is told
to within 5 %.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
import soundfile

from tests.training.heart.heart import Heart

WEIGHTS = Path(__file__).parent / "heart" / "weights.npz"


def beats_of(sound: Path, hint: float | None = None, tempo_range: tuple[float, float] = (30.0, 220.0)) -> np.ndarray:
    """Return shape (beats, 2): beat time and time known, in seconds, of a sound file, its channels heard as one."""
    samples, rate = soundfile.read(sound, dtype="float32", always_2d=True)
    heart = Heart(rate, WEIGHTS, tempo_range, hint)
    mono = samples.mean(axis=1)
    told = [heart.hear(mono[at : at + heart.hop]) for at in range(0, len(mono) - heart.hop + 1, heart.hop)]
    rows = [(beat.frame * heart.hop / rate, (beat.known + 1) * heart.hop / rate) for beat in told if beat is not None]
    return np.array(rows).reshape(-1, 2)


def main() -> None:
    """Follow every item of a corpus."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--corpus", type=Path, required=True)
    options.add_argument("--out", type=Path, required=True)
    options.add_argument("--hint", action="store_true")
    chosen = options.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    for item in json.loads((chosen.corpus / "manifest.json").read_text()):
        hint = item.get("hint") if chosen.hint else None
        rows = beats_of(chosen.corpus / f"{item['item']}.flac", hint)
        np.savetxt(chosen.out / f"{item['item']}.est.txt", rows, fmt="%.5f")


if __name__ == "__main__":
    main()
