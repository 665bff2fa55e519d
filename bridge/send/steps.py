"""When a step is passed on to a pedal: at once, when the echoes of what was before have died, or at the foot's go."""

from __future__ import annotations

from math import inf

from bridge.rig import Pedal, StepWhen
from bridge.units import SILENCE_DB

TAIL_DB = 60.0
"""Echoes that have fallen by so much are heard no more: `Pedal.repeats_heard` repeats after a sound. The usual measure
of a decay (CHECK_VALUES 6: repeats to -60 dB)."""

INAUDIBLE_DB = -50.0
"""Echoes below this level, relative to full scale, are heard no more. Common practice, no source."""

FORGET_DB_S = 0.1
"""The loudest level is forgotten so slowly, in dB a second: a quiet stretch is quiet against the minutes before."""

_ORDER: tuple[StepWhen, ...] = ("now", "tail_quiet", "foot")


class Tail:
    """How loud the echoes of a delay still are, reckoned from what went in, its delay time and its repeats.

    Each repeat is `TAIL_DB` / ``repeats`` quieter than the one before.

    Args:
        repeats: Repeats that one can hear, 1 or more.
    """

    def __init__(self, repeats: int) -> None:
        self._repeats = repeats
        self._level_db = SILENCE_DB
        self._loudest_db = SILENCE_DB
        self._at = -inf

    def hear(self, at: float, level_db: float, delay_s: float) -> None:
        """Take in how loud the deck is.

        Args:
            at: Time in seconds; never less than at the call before.
            level_db: Its level in dB relative to full scale.
            delay_s: The pedal's delay time in seconds.
        """
        passed_s = at - self._at if self._at > -inf else 0.0
        fallen = passed_s * TAIL_DB / self.length_s(delay_s)
        self._level_db = max(level_db, self._level_db - fallen, SILENCE_DB)
        self._loudest_db = max(level_db, self._loudest_db - FORGET_DB_S * passed_s)
        self._at = at

    @property
    def quiet(self) -> bool:
        """Whether no echo is heard any more."""
        return self._level_db <= max(INAUDIBLE_DB, self._loudest_db - TAIL_DB)

    def length_s(self, delay_s: float) -> float:
        """Return how long an echo is heard, in seconds."""
        return self._repeats * delay_s


class Gate:
    """Lets a step through at the right moment.

    ``tail_quiet`` waits for the echoes of what was played before the step. Those of what is played since would be bent,
    too, but a deck that plays on is never quiet; so it waits no longer than echoes from before can be heard.

    Args:
        when: What a step waits for.
        tail: The echoes.
    """

    def __init__(self, when: StepWhen, tail: Tail) -> None:
        self._when = when
        self._tail = tail
        self._since: float | None = None  # when what waits came about
        self._allowed = False

    @property
    def waits(self) -> bool:
        """Whether a step waits."""
        return self._since is not None

    def opens(self, since: float, at: float, delay_s: float) -> bool:
        """Return whether a step may pass; if it may not, it waits from now on.

        Args:
            since: When it came about, in seconds; one that waits already keeps its own time.
            at: Now, in seconds.
            delay_s: The pedal's delay time in seconds.
        """
        self._since = since if self._since is None else self._since
        match self._when:
            case "foot":
                return self._allowed
            case "tail_quiet":
                return self._tail.quiet or at >= self._since + self._tail.length_s(delay_s)
        return True

    def allow(self) -> None:
        """Let what waits for the foot pass; where nothing waits, this says nothing of the next."""
        self._allowed = self.waits

    def done(self) -> None:
        """Note that nothing waits any more."""
        self._since, self._allowed = None, False


def latest(pedals: tuple[Pedal, ...]) -> StepWhen:
    """Return what a step waits for that several pedals are told together: the one that waits longest decides."""
    return max((pedal.step for pedal in pedals), key=_ORDER.index)
