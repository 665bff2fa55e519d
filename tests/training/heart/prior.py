"""How likely each tempo is before anything is heard: range of the deck, broad habit, or a hint."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

USUAL_TEMPO, USUAL_SPREAD = 85.0, 0.45
"""Centre in bpm and spread (standard deviation of the natural logarithm) of tempos nobody told anything of."""

HINT_SPREAD = 0.04
DOUBT = 0.02
"""Part of the prior that stays with the usual tempos when a hint is given: the hint may be wrong."""


def tempo_prior(tempos: NDArray[np.float64], hint: float | None = None) -> NDArray[np.float64]:
    """Return the probability of each tempo.

    Args:
        tempos: Shape (n,), bpm, in equal ratios.
        hint: A tempo told by a card or by taps, in bpm; None where nothing is known.

    Returns:
        Shape (n,), sums to 1.

    Raises:
        ValueError: ``hint`` is not above 0, or NaN.
    """
    usual = _log_normal(tempos, USUAL_TEMPO, USUAL_SPREAD)
    if hint is None:
        return usual
    if not hint > 0:
        raise ValueError(f"a hint must be a tempo above 0 bpm, got {hint!r}")
    return (1 - DOUBT) * _log_normal(tempos, hint, HINT_SPREAD) + DOUBT * usual


def _log_normal(tempos: NDArray[np.float64], centre: float, spread: float) -> NDArray[np.float64]:
    density = np.exp(-0.5 * (np.log(tempos / centre) / spread) ** 2) + 1e-12
    return np.asarray(density / density.sum())
