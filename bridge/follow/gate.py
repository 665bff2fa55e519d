"""Is there a signal at all? A level gate over a slow noise floor, with hysteresis."""

from __future__ import annotations

from bridge.follow.features import Hop

OPENS_DB = -60.0
"""Below this level, in dB relative to full scale, nothing counts as a signal."""

HITS = 3
"""So many hits open the gate, however short and dry they are; fewer may be a plug being pushed."""

_OPENS_OVER_FLOOR_DB = 8.0
_HYSTERESIS_DB = 4.0
_FLOOR_DB = (-90.0, -56.0)
_FLOOR_RISES_DB_PER_S = 0.1
_OPENS_AFTER_S = 0.035
_CLOSES_AFTER_S = 1.0
_HIT_OVER_DB = 12.0  # over the level that opens: the waver of hiss or rumble is no hit
_HITS_APART_S = 0.2  # from begin to begin: a crackle is one hit


class Gate:
    """Opens on a signal, closes after a second of quiet.

    A signal is a level that stays for 35 ms, or three short hits with less than a second of quiet between them.

    The noise floor falls at once and rises by 0.1 dB a second, so that a deck's own hiss is learnt; it never rises
    above -56 dB, so that a steady drone louder than -48 dB is a signal for as long as it lasts.

    Args:
        rate: Frames per second.

    Attributes:
        is_open: Whether there is a signal.
        since: Frame at which the signal began (open) or ended (closed), not the one at which that was noticed.
    """

    def __init__(self, rate: int) -> None:
        self.is_open = False
        self.since = 0
        self._rate = rate
        self._floor_db = _FLOOR_DB[0] + 10.0
        self._turned: int | None = None
        self._last_frame = 0
        self._hits: list[int] = []
        self._hit_end = 0

    def hear(self, hop: Hop) -> bool:
        """Take in one hop and return whether the gate has just opened or closed."""
        length = hop.frame - self._last_frame
        begin, self._last_frame = self._last_frame, hop.frame
        self._learn_floor(hop.level_db, length / self._rate)
        opens = max(OPENS_DB, self._floor_db + _OPENS_OVER_FLOOR_DB)
        if not self.is_open and hop.level_db > opens + _HIT_OVER_DB and self._hit(begin, hop.frame):
            return self._turn(self._hits[0])
        turns = hop.level_db < opens - _HYSTERESIS_DB if self.is_open else hop.level_db > opens
        if not turns:
            self._turned = None
            return False
        if self._turned is None:
            self._turned = begin
        wanted_s = _CLOSES_AFTER_S if self.is_open else _OPENS_AFTER_S
        if hop.frame - self._turned < wanted_s * self._rate:
            return False
        return self._turn(self._turned)

    def _turn(self, since: int) -> bool:
        self.is_open = not self.is_open
        self.since, self._turned, self._hits = since, None, []
        return True

    def _hit(self, begin: int, end: int) -> bool:
        """Count a loud hop's hit, and return whether it makes the number that opens."""
        if begin - self._hit_end >= _CLOSES_AFTER_S * self._rate:
            self._hits = []
        self._hit_end = end
        if not self._hits or begin - self._hits[-1] >= _HITS_APART_S * self._rate:
            self._hits.append(begin)
        return len(self._hits) == HITS

    def _learn_floor(self, level_db: float, length_s: float) -> None:
        risen = min(level_db, self._floor_db + _FLOOR_RISES_DB_PER_S * length_s)
        self._floor_db = min(max(risen, _FLOOR_DB[0]), _FLOOR_DB[1])
