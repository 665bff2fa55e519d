"""What a beat must show before it is followed: the less was known of it, the more."""

from __future__ import annotations

from dataclasses import dataclass

_SURE = 0.95  # probability of a beat from which one is begun that nobody told, and that was not there before
_SURE_TOLD = 0.85  # where its tempo was told: a bed that swells may look like its first stroke
_STEP_BEGIN = 0.36  # of `Sense.in_step`, which footsteps that falter seldom have
_STEP_EXPECTED = 0.2  # where it is a tempo that is held, or one that was seen for long
_SEEN = 110  # hops for which a beat must have been the likeliest
_STEP_DOUBT, _SEEN_DOUBT = 0.48, 250  # once one fell out of step, or soon ended: steps that falter do, again and again
_SEEN_SURE = 800  # hops of one beat, which steps that falter never are: then it need be in step as one expected
_SEEN_TOLD, _SEEN_AGAIN = 30, 12  # hops, where it has a told tempo, or the held one of a beat that was followed long

STEP_TOLD = 0.06
"""How far a beat of the told tempo must be in step: its first strokes are enough."""


@dataclass(frozen=True, slots=True)
class Needed:
    """What is needed to begin.

    Attributes:
        seen: Hops for which one beat must have been the likeliest.
        in_step: How far what is heard must fall in step with it.
        present: Probability that there is a beat.
    """

    seen: int
    in_step: float
    present: float


def needed(*, seen: int, is_told: bool, is_held: bool, was_long: bool, doubts: bool) -> Needed:
    """Return what a beat needs to be followed.

    Args:
        seen: Hops for which it has been the likeliest.
        is_told: Whether its tempo was told.
        is_held: Whether it has the tempo that is held.
        was_long: Whether what was followed before was followed for long.
        doubts: Whether that fell out of step, or soon ended.
    """
    is_back = is_held and was_long
    if is_told:
        step, hops = STEP_TOLD, _SEEN_TOLD
    elif doubts:
        step, hops = _STEP_DOUBT, _SEEN_DOUBT
    else:
        step, hops = (_STEP_EXPECTED if is_back else _STEP_BEGIN), _SEEN
    if seen >= _SEEN_SURE:
        step = min(step, _STEP_EXPECTED)
    present = 0.0 if is_held else _SURE_TOLD if is_told else _SURE
    return Needed(_SEEN_AGAIN if is_back else hops, step, present)
