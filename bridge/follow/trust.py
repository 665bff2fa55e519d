"""How sure a beat is: from what the belief thinks of itself to how often it is right.

The belief is too sure of itself: its evidence is far from independent, and of beats that it holds for nearly certain
one in six is wrong. A curve with two numbers, fitted where the truth is known, makes a probability of it that means
what it says.
"""

from __future__ import annotations

from math import exp, log

SLOPE, OFFSET = 0.84, -1.41
"""Fitted by logistic regression on the beats of 44 training scenes (`python -m tests.bench.trust --scenes 44 --fit`).

Right is: within 70 ms of a true beat, at the true tempo or an octave of it.
"""

_LEAST, _MOST = 0.01, 0.998


def trusted(believed: float) -> float:
    """Return the probability that a beat is right, octaves aside.

    Args:
        believed: What the belief thinks it is, 0..1, as a mean over the last second.

    Returns:
        0..1; grows with ``believed``, and is never quite certain.

    Raises:
        ValueError: ``believed`` is not 0..1, or NaN.

    Source: J. Platt, "Probabilistic outputs for support vector machines", 1999.
    """
    if not 0.0 <= believed <= 1.0:  # NaN fails too
        raise ValueError(f"believed must be 0..1, got {believed!r}")
    bounded = min(_MOST, max(_LEAST, believed))
    return 1.0 / (1.0 + exp(-(SLOPE * log(bounded / (1.0 - bounded)) + OFFSET)))
