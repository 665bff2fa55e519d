"""Reads what training left for the follower: files beside their card, ``bridge/follow/CARD.md``."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from bridge.errors import BridgeError
from bridge.follow.activation import Activation
from bridge.follow.evidence import Learned, Weights
from bridge.follow.features import TONES

FOLDER = Path(__file__).parent / "follow"
"""Where the files are."""

NET, ONSETS = "weights.npz", "onsets.npz"
"""The learned net with its likelihoods, and the likelihoods of plain onsets, which do without it."""

_NOTHING = Weights(beat=0.0, onsets=0.0, phase=0.0, tempo=0.0, present=0.0)


@cache
def learned(folder: Path = FOLDER) -> Learned:
    """Return what is in the files that ``tests/training`` wrote.

    Where the net's file is absent, damaged, or lacks an array, what is returned goes by onsets alone, and its
    ``lack`` says why.

    Raises:
        BridgeError: The file of the onsets is absent, damaged, or lacks an array.
    """
    path = folder / ONSETS
    try:
        onsets = _arrays(path)
        found: dict[str, Any] = {"onset_edges": onsets["onset_edges"], "onset_table": onsets["onset_table"]}
    except _UNREADABLE as error:
        raise BridgeError(f"{path}: cannot read the follower's onsets ({error}). Install the bridge again.") from None
    path = folder / NET
    try:
        return Learned(**found, **_net(path))
    except _UNREADABLE as error:
        nothing = np.zeros(0)
        lack = f"{path}: no net to follow by ({error}); onsets alone stand in, and find less. Install the bridge again"
        none = Learned(
            **found, net=None, edges=nothing, table=nothing, present_bias=0.0, free=_NOTHING, told=_NOTHING, lack=lack
        )
        return none.onsets_alone()


_UNREADABLE = (OSError, ValueError, BadZipFile, LookupError, TypeError, EOFError)


def _net(path: Path) -> dict[str, Any]:
    arrays = _arrays(path)
    for name, array in arrays.items():
        if array.dtype == np.float16:  # widened here, so that all decks read one copy: it fills half of a core's cache
            arrays[name] = array.astype(np.float32)
    Activation(arrays).hear(np.zeros((1, TONES)))  # refuses what is no net
    return {
        "net": arrays,
        "edges": arrays["edges"],
        "table": arrays["table"],
        "present_bias": float(arrays["present_bias"]),
        "free": Weights(*map(float, arrays["weights"])),
        "told": Weights(*map(float, arrays["weights_told"])),
    }


def _arrays(path: Path) -> dict[str, NDArray[np.generic]]:
    with np.load(path) as file:
        return {name: file[name] for name in file.files}
