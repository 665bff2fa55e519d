"""Follow the development corpus with the engine that plays live, for ``tools/score_beats.py`` to score.

    python -m tests.training.score --corpus CORPUS --out ESTIMATES [--hint] [--onsets]

Writes ITEM.est.txt: beat time and the time at which it was known, in seconds. With ``--hint`` each item's tempo is told
to within 5 %; with ``--onsets`` the follower goes by plain onsets, without the net. The deck's tempo range is 31 to
213 bpm, so that it tells nothing. Takes about 6 minutes.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
import soundfile

from bridge.engine import Engine
from bridge.events import BeatPlaced, SoundHeard
from bridge.events_hand import TempoTold
from bridge.follow.evidence import Learned
from bridge.rig import Deck, Rig, SoundInput
from bridge.weights import learned

ANY_TEMPO = (31.0, 213.0)
BLOCK = 4096


def beats_of(sound: Path, what: Learned, hint: float | None = None) -> np.ndarray:
    """Return shape (beats, 2): beat time and time known, in seconds, of a sound file, its channels heard as one."""
    samples, rate = soundfile.read(sound, dtype="float32", always_2d=True)
    deck = Deck(name="north", channels=tuple(range(1, samples.shape[1] + 1)), tempo_range=ANY_TEMPO)
    engine = Engine(Rig(path="", sound=SoundInput(), decks=(deck,)), rate, what)
    if hint is not None:
        engine.obey(TempoTold(at=0.0, deck=deck.name, tempo=hint))
    rows = []
    for frame in range(0, len(samples), BLOCK):
        block = SoundHeard(frame=frame, at=frame / rate, samples=samples[frame : frame + BLOCK])
        rows += [(fact.at, fact.known) for fact in engine.handle(block) if isinstance(fact, BeatPlaced)]
    return np.array(rows).reshape(-1, 2)


def main() -> None:
    """Follow every item of a corpus."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--corpus", type=Path, required=True)
    options.add_argument("--out", type=Path, required=True)
    options.add_argument("--hint", action="store_true")
    options.add_argument("--onsets", action="store_true")
    chosen = options.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    what = learned().onsets_alone() if chosen.onsets else learned()
    for item in json.loads((chosen.corpus / "manifest.json").read_text()):
        hint = item.get("hint") if chosen.hint else None
        rows = beats_of(chosen.corpus / f"{item['item']}.flac", what, hint)
        np.savetxt(chosen.out / f"{item['item']}.est.txt", rows, fmt="%.5f")


if __name__ == "__main__":
    main()
