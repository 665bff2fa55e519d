"""Reads what training left for the follower: a file beside its card, ``bridge/follow/CARD.md``."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from bridge.errors import BridgeError
from bridge.follow.evidence import Learned, Weights

WEIGHTS = Path(__file__).parent / "follow" / "weights.npz"

ONSETS_ALONE = 0.25
"""How much onsets count without the net."""


@cache
def learned(path: Path = WEIGHTS) -> Learned:
    """Return what is in a file that ``tests/training`` wrote.

    Raises:
        BridgeError: The file is absent, damaged, or lacks an array.
    """
    try:
        with np.load(path) as file:
            arrays = {name: file[name] for name in file.files}
        return Learned(
            net=arrays,
            edges=arrays["edges"],
            table=arrays["table"],
            onset_edges=arrays["onset_edges"],
            onset_table=arrays["onset_table"],
            present_bias=float(arrays["present_bias"]),
            free=Weights(*map(float, arrays["weights"])),
            told=Weights(*map(float, arrays["weights_told"])),
        )
    except (OSError, ValueError, BadZipFile, KeyError, TypeError) as error:
        raise BridgeError(f"{path}: cannot read the follower's weights ({error}). Install the bridge again.") from None


def without_net(whole: Learned) -> Learned:
    """Return the same for a follower that goes by plain onsets alone."""
    alone = Weights(beat=0.0, onsets=ONSETS_ALONE, phase=0.0, tempo=0.0, present=0.0)
    return replace(whole, net=None, free=alone, told=alone)
