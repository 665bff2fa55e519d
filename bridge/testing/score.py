"""How well a set was followed: what pedals did with the bytes they got, against what the tape truly did.

Five lines, each with its limit and a plain verdict. A follower that never started fails all five: it made no false
start, and no echo of its was wrong, but it earns no praise for either.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bridge.events import BeatPlaced, Fact, FollowerChanged
from bridge.rig import Pedal
from bridge.testing.pedals import CLOCK, DelayPedal
from bridge.testing.truth import Change, ChangeKind, DeckTruth, Truth

NEAR = 0.02
"""A delay is on the tape within this fraction of the tape's period. Common practice, no source; Drake and Botte (1993)
give 1.5 to 3 % as the least difference of tempo that listeners notice (CHECK_VALUES 9)."""

STAYS_S = 2.0
"""A change is caught once the delay is near for this long, or until the next change."""

SHARE_LIMIT = 0.85
"""Least share of the time with a beat in which each delay must be near; catching up counts as lost."""

CATCH_LIMIT_S = 8.0
"""Longest time to catch a change, in seconds."""

ECHO_LIMIT_MS = 40.0
"""Worst distance of an echo from the tape's beat, in ms. Echoes up to about 40 ms apart fuse (CHECK_VALUES 9)."""

_STEP_S = 0.02
_NAMES: dict[ChangeKind, str] = {"started": "first beat tape", "another tape": "deck change"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Catch:
    """How fast one pedal was back on the tape after one change.

    Attributes:
        pedal: The pedal's name.
        change: What happened.
        after_s: Seconds from the change until its delay was near and stayed; None for never.
        errors_ms: Shape (beats,): signed error of the echo of each beat since then, in ms; late is above 0.
        errors: Shape (beats,): the same as a fraction of the tape's beat.
    """

    pedal: str
    change: Change
    after_s: float | None
    errors_ms: NDArray[np.float64]
    errors: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a score.

    Attributes:
        what: What was measured.
        found: What was found, with its unit.
        limit: What was asked.
        passed: Whether it was met.
    """

    what: str
    found: str
    limit: str
    passed: bool

    def __str__(self) -> str:
        return f"{self.what}: {self.found} (wanted: {self.limit}): {'good' if self.passed else 'short of it'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A set, scored.

    Attributes:
        shares: Per pedal, the share of the time with a true beat in which its delay was near; 0..1.
        catches: Per pedal and change that led to a beat, how it was caught.
        false_starts: How often a follower went to following on a deck that had had no beat yet, plus how many pedals
            got clock bytes before the first beat of their deck.
        started: Whether every pedal got clock bytes, and a follower followed a deck with a beat.
        review: The page of the review; None for none.
        reviewed: Whether the page is there, and the take behind it holds beats.
    """

    shares: dict[str, float]
    catches: tuple[Catch, ...]
    false_starts: int
    started: bool
    review: Path | None
    reviewed: bool

    @property
    def passed(self) -> bool:
        """Whether every line met its limit."""
        return all(line.passed for line in self.table())

    def lines(self) -> list[str]:
        """Return the five lines as text."""
        return [str(line) for line in self.table()]

    def table(self) -> tuple[Line, ...]:
        """Return the five lines."""
        return self._share_line(), self._catch_line(), self._echo_line(), self._start_line(), self._review_line()

    def _share_line(self) -> Line:
        return Line(
            what=f"Delay within {NEAR:.0%} of the tape",
            found=", ".join(f"{pedal} {share:.1%} of the time" for pedal, share in self.shares.items()) or "no pedal",
            limit=f"{SHARE_LIMIT:.0%} or more",
            passed=bool(self.shares) and min(self.shares.values()) >= SHARE_LIMIT,
        )

    def _catch_line(self) -> Line:
        slowest: dict[float, Catch] = {}
        for catch in self.catches:
            known = slowest.setdefault(catch.change.time_s, catch)
            if _seconds(catch) > _seconds(known):
                slowest[catch.change.time_s] = catch
        found = [
            f"{_NAMES.get(catch.change.kind, catch.change.kind)} "
            + ("never" if catch.after_s is None else f"{catch.after_s:.1f} s")
            for catch in slowest.values()
        ]
        return Line(
            what="Time to catch each change",
            found=", ".join(found) or "no change",
            limit=f"{CATCH_LIMIT_S:g} s or less",
            passed=bool(slowest) and max(map(_seconds, slowest.values())) <= CATCH_LIMIT_S,
        )

    def _echo_line(self) -> Line:
        errors_ms = np.abs(np.concatenate([np.empty(0), *(catch.errors_ms for catch in self.catches)]))
        errors = np.abs(np.concatenate([np.empty(0), *(catch.errors for catch in self.catches)]))
        found = "no echo was on the tape's beat"
        if len(errors):
            found = (
                f"worst {errors_ms.max():.1f} ms ({errors.max():.1%} of a beat), "
                f"median {np.median(errors_ms):.1f} ms ({np.median(errors):.1%})"
            )
        return Line(
            what="Echo against the tape's beat, once caught",
            found=found,
            limit=f"worst {ECHO_LIMIT_MS:g} ms or less",
            passed=len(errors) > 0 and float(errors_ms.max()) <= ECHO_LIMIT_MS,
        )

    def _start_line(self) -> Line:
        return Line(
            what="False starts before a beat",
            found=f"{self.false_starts}" if self.started else f"{self.false_starts}, but it never started at all",
            limit="none, and a start once there is a beat",
            passed=self.started and self.false_starts == 0,
        )

    def _review_line(self) -> Line:
        return Line(
            what="Review",
            found="none" if self.review is None else f"{self.review}",
            limit="a page that is there, of a take with beats",
            passed=self.reviewed,
        )


def score(
    truth: Truth,
    pedal_log: Mapping[str, Sequence[tuple[float, bytes]]],
    facts: Sequence[Fact],
    start_at: float,
    review: Path | None = None,
) -> Score:
    """Return how well a set was followed.

    Args:
        truth: What the set hid.
        pedal_log: Per pedal name, the messages that reached it, each with its host time in seconds, in order; a pedal
            that is absent got none.
        facts: What the bridge said of the set, with host times.
        start_at: Host time of the first frame of the sound, in seconds.
        review: The page that the review wrote.

    Raises:
        ValueError: A log is out of order.
    """
    shares, catches = {}, []
    for pedal in truth.pedals:
        deck = truth.decks[pedal.listens_to]
        box = DelayPedal()
        box.receive_all(pedal_log.get(pedal.name, ()))
        time_s = np.arange(0.0, truth.length_s, _STEP_S)
        tempo = deck.tempo_at(time_s)
        delay_s = box.delay_at(start_at + time_s)
        near = np.abs(delay_s * tempo * float(pedal.ratio) / 60.0 - 1.0) <= NEAR  # NaN is not near
        has_beat = np.isfinite(tempo)
        shares[pedal.name] = float(np.mean(near[has_beat])) if has_beat.any() else 0.0
        for change, until_s in _beats_begun(deck, truth.length_s):
            caught_s = _caught(time_s, near, change.time_s, until_s)
            catches.append(_catch(pedal, box, deck, start_at, change, caught_s, until_s))
    following = [fact for fact in facts if isinstance(fact, FollowerChanged) and fact.now == "following"]
    return Score(
        shares=shares,
        catches=tuple(catches),
        false_starts=_false_starts(truth, pedal_log, following, start_at),
        started=_started(truth, pedal_log, following),
        review=review,
        reviewed=review is not None and review.is_file() and any(isinstance(fact, BeatPlaced) for fact in facts),
    )


def _beats_begun(deck: DeckTruth, length_s: float) -> list[tuple[Change, float]]:
    """Return each change that led to a beat, with the time of the next change or of the last beat."""
    ends = [*(change.time_s for change in deck.changes[1:]), length_s]
    last_s = deck.stretches[-1].end_s if deck.stretches else 0.0
    return [
        (change, min(until_s, last_s))
        for change, until_s in zip(deck.changes, ends, strict=True)
        if change.tempo_after is not None
    ]


def _caught(time_s: NDArray[np.float64], near: NDArray[np.bool_], begin_s: float, until_s: float) -> float | None:
    """Return the first time between two from which on a delay is near and stays so; None for never."""
    inside = (time_s >= begin_s) & (time_s < until_s)
    times, good = time_s[inside], near[inside]
    bad = np.concatenate([[0], np.cumsum(~good)])
    ends = np.minimum(np.arange(len(good)) + round(STAYS_S / _STEP_S), len(good))
    stays = np.flatnonzero(bad[ends] == bad[:-1])
    return float(times[stays[0]]) if len(stays) else None


def _catch(
    pedal: Pedal,
    box: DelayPedal,
    deck: DeckTruth,
    start_at: float,
    change: Change,
    caught_s: float | None,
    until_s: float,
) -> Catch:
    """Return how one change was caught, and how far from the tape's own beats the echoes fell from then on."""
    if caught_s is None:
        nothing = np.empty(0)
        return Catch(pedal=pedal.name, change=change, after_s=None, errors_ms=nothing, errors=nothing)
    beats_s = deck.beats_s()
    beats_s = beats_s[(beats_s >= caught_s) & (beats_s < until_s)]
    wanted_s = deck.later_s(beats_s, 1.0 / float(pedal.ratio))
    comes = wanted_s < until_s  # NaN, where the beat has ended by then, is left out
    beats_s, wanted_s = beats_s[comes], wanted_s[comes]
    error_s = box.echoes_of(start_at + beats_s) - start_at - wanted_s
    return Catch(
        pedal=pedal.name,
        change=change,
        after_s=caught_s - change.time_s,
        errors_ms=1000.0 * error_s,
        errors=error_s * deck.tempo_at(beats_s) / 60.0,
    )


def _seconds(catch: Catch) -> float:
    return float("inf") if catch.after_s is None else catch.after_s


def _first_beat_s(deck: DeckTruth) -> float:
    """Return when the first tape with a beat began to move; infinity for a deck that never had one."""
    return min((change.time_s for change in deck.changes if change.tempo_after is not None), default=float("inf"))


def _false_starts(
    truth: Truth,
    pedal_log: Mapping[str, Sequence[tuple[float, bytes]]],
    following: list[FollowerChanged],
    start_at: float,
) -> int:
    begin_at = {name: start_at + _first_beat_s(deck) for name, deck in truth.decks.items()}
    followed = sum(fact.at < begin_at[fact.deck] for fact in following)
    sent = sum(
        any(message == CLOCK and at < begin_at[pedal.listens_to] for at, message in pedal_log.get(pedal.name, ()))
        for pedal in truth.pedals
    )
    return followed + sent


def _started(
    truth: Truth, pedal_log: Mapping[str, Sequence[tuple[float, bytes]]], following: list[FollowerChanged]
) -> bool:
    sent = [any(message == CLOCK for _, message in pedal_log.get(pedal.name, ())) for pedal in truth.pedals]
    return bool(sent) and all(sent) and any(truth.decks[fact.deck].stretches for fact in following)
