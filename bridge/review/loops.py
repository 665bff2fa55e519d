"""Loops that were recorded and played, and how far they and their tape came apart. Pure."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from bridge.events import BeatPlaced, Fact
from bridge.events_foot import LooperChanged, LoopMeasured
from bridge.events_hand import LoopChanged
from bridge.review.story import Loop

_SOUNDS = ("playing", "overdubbing")


class _Played(NamedTuple):
    """A loop by the host times at which its recording began, was closed, and it ceased to be played."""

    begin: float
    closed: float
    until: float
    beats: float | None


class _Apart(NamedTuple):
    """How far ahead the deck was of a loop, in beats: in the end, and where it was furthest."""

    last: float
    furthest: float


def loops_of(
    facts: Sequence[Fact], beats: Mapping[str, Sequence[BeatPlaced]], began: float, end: float
) -> tuple[Loop, ...]:
    """Return each loop that was recorded and then played.

    A loop keeps its length while the tape wanders. Loopers of the rig are measured while they play. For a pedal that
    tells of a loop of its own, the beats that the deck went on while it played are laid against those that it played.

    Args:
        facts: Facts of a take, in order of time.
        beats: For each pedal the beats of the deck that it listens to.
        began: Host time at which the take began.
        end: Host time at which it ended.
    """
    turns = [fact for fact in facts if isinstance(fact, LooperChanged)]
    told = {turn.at for turn in turns}  # a looper's pedal tells of the same change at the same instant
    changes = [fact for fact in facts if isinstance(fact, LoopChanged) and fact.at not in told]
    found = [*_of_loopers(facts, turns, began, end), *_of_pedals(changes, beats, began, end)]
    return tuple(sorted(found, key=lambda loop: loop.begin_s))


def _of_loopers(facts: Sequence[Fact], turns: Sequence[LooperChanged], began: float, end: float) -> Iterator[Loop]:
    for looper in dict.fromkeys(turn.looper for turn in turns):
        own = [turn for turn in turns if turn.looper == looper]
        measures = [fact for fact in facts if isinstance(fact, LoopMeasured) and fact.looper == looper]
        for played in _played_by(own, end):
            heard = [fact.apart for fact in measures if played.closed <= fact.at <= played.until]
            yield _loop(looper, played, played.beats, _unfolded(heard), began)


def _played_by(turns: Sequence[LooperChanged], end: float) -> Iterator[_Played]:
    recording: float | None = None
    for index, turn in enumerate(turns):
        if turn.now == "recording":
            recording = turn.at
        elif turn.now in _SOUNDS and recording is not None and turn.at > recording:
            until = next((later.at for later in turns[index + 1 :] if later.now not in _SOUNDS), end)
            yield _Played(recording, turn.at, until, turn.beats)
            recording = None
        else:
            recording = None


def _unfolded(aparts: Sequence[float]) -> _Apart | None:
    """Take measures of -0.5..0.5 beats, some seconds apart, as one line without the jumps from 0.5 to -0.5."""
    line: list[float] = []
    for apart in aparts:
        line.append(apart + round(line[-1] - apart) if line else apart)
    return _Apart(line[-1], max(line, key=abs)) if line else None


def _of_pedals(
    changes: Sequence[LoopChanged], beats: Mapping[str, Sequence[BeatPlaced]], began: float, end: float
) -> Iterator[Loop]:
    for pedal in dict.fromkeys(change.pedal for change in changes):
        own = [change for change in changes if change.pedal == pedal]
        recording: float | None = None
        for index, change in enumerate(own):
            if change.loop == "recording":
                recording = change.at if recording is None else recording
            elif change.loop == "playing" and recording is not None and change.at > recording:
                until = own[index + 1].at if index + 1 < len(own) else end
                played = _Played(recording, change.at, until, None)
                yield _loop(pedal, played, *_against(beats.get(pedal, ()), played), began)
                recording = None
            else:
                recording = None


def _against(beats: Sequence[BeatPlaced], played: _Played) -> tuple[float | None, _Apart | None]:
    """Return a loop's length in beats of the deck, and how far apart they came; None where that was not followed."""
    first, second, last = (_place(beats, at) for at in (played.begin, played.closed, played.until))
    if first is None or second is None or last is None:
        return None, None
    length = second - first
    per_s = length / (played.closed - played.begin)
    low, high = (bisect(beats, at, key=lambda beat: beat.at) for bisect, at in (
        (bisect_left, played.closed), (bisect_right, played.until)
    ))  # fmt: skip
    line = [beat.index - second - per_s * (beat.at - played.closed) for beat in beats[low:high]]
    line.append(last - second - per_s * (played.until - played.closed))
    return length, _Apart(line[-1], max(line, key=abs))


def _loop(name: str, played: _Played, beats: float | None, apart: _Apart | None, began: float) -> Loop:
    return Loop(
        pedal=name,
        begin_s=played.begin - began,
        length_s=played.closed - played.begin,
        played_s=played.until - played.closed,
        beats=beats,
        apart_beats=None if apart is None else apart.last,
        furthest_beats=None if apart is None else apart.furthest,
    )


def _place(beats: Sequence[BeatPlaced], at: float) -> float | None:
    """Return how many beats lie before a moment, fraction included; None where no beat is near."""
    after = bisect_right(beats, at, key=lambda beat: beat.at)
    near = beats[max(0, after - 1)] if beats else None
    if near is None or abs(at - near.at) > 2.0 * 60.0 / near.tempo:
        return None
    return near.index + (at - near.at) * near.tempo / 60.0
