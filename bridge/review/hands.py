"""What pedals went through besides their clock: hands, taps, delay times, and how far loops came apart. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from bridge.events import BeatPlaced, Fact
from bridge.events_hand import (
    HandsOff,
    HandsOn,
    LoopChanged,
    RatioFolded,
    StepAllowed,
    TempoKept,
    TempoLetGo,
)
from bridge.events_sent import DelayTimeTold, TapsSent
from bridge.review.story import Deed, Loop

WORDS: dict[type[Fact], str] = {
    HandsOff: "hands off: its clock ended, its knobs count",
    HandsOn: "told its tempo again",
    TempoKept: "its pedals keep their tempo, whatever is heard",
    TempoLetGo: "its pedals follow again what is heard",
    StepAllowed: "a step of the tape was let through",
}


def deeds_of(facts: Sequence[Fact], began: float) -> tuple[Deed, ...]:
    """Return what the hand and the foot did to pedals, and where ratios were folded, in order of time."""
    return tuple(Deed(seconds=fact.at - began, whose=whose, what=what) for fact, whose, what in _told(facts))


def _told(facts: Sequence[Fact]) -> Iterator[tuple[Fact, str, str]]:
    for fact in facts:
        if isinstance(fact, HandsOff | HandsOn | StepAllowed):
            yield fact, fact.pedal, WORDS[type(fact)]
        elif isinstance(fact, TempoKept | TempoLetGo):
            yield fact, fact.deck, WORDS[type(fact)]
        elif isinstance(fact, RatioFolded):
            yield fact, fact.pedal, f"clock beats a beat {fact.ratio:.4g} for {fact.asked:.4g}: {fact.why}"


def counts_of(facts: Sequence[Fact]) -> tuple[Mapping[str, int], Mapping[str, int]]:
    """Return for each pedal how many taps it got, and how often it was told a delay time."""
    taps: Counter[str] = Counter()
    times: Counter[str] = Counter()
    for fact in facts:
        if isinstance(fact, TapsSent):
            taps[fact.pedal] += fact.count
        elif isinstance(fact, DelayTimeTold):
            times[fact.pedal] += 1
    return taps, times


def loops_of(
    facts: Sequence[Fact], beats: Mapping[str, Sequence[BeatPlaced]], began: float, end: float
) -> tuple[Loop, ...]:
    """Return each loop that was recorded and then played.

    A loop keeps its length while the tape wanders. How far they came apart is how many beats the deck went on while the
    loop played, less how many the loop played itself.

    Args:
        facts: Facts of a take, in order of time.
        beats: For each pedal the beats of the deck that it listens to.
        began: Host time at which the take began.
        end: Host time at which it ended.
    """
    loops: list[Loop] = []
    changes = [fact for fact in facts if isinstance(fact, LoopChanged)]
    for pedal in dict.fromkeys(change.pedal for change in changes):
        own = [change for change in changes if change.pedal == pedal]
        recording: float | None = None
        for index, change in enumerate(own):
            if change.loop == "recording":
                recording = change.at if recording is None else recording
            elif change.loop == "playing" and recording is not None and change.at > recording:
                until = own[index + 1].at if index + 1 < len(own) else end
                loops.append(_loop(pedal, (recording, change.at, until), beats.get(pedal, ()), began))
                recording = None
            else:
                recording = None
    return tuple(sorted(loops, key=lambda loop: loop.begin_s))


def _loop(pedal: str, when: tuple[float, float, float], beats: Sequence[BeatPlaced], began: float) -> Loop:
    begin, closed, until = when
    places = [_place(beats, at) for at in when]
    length = apart = None
    if None not in places:
        first, second, last = (place for place in places if place is not None)
        length = second - first
        apart = (last - second) - (until - closed) / (closed - begin) * length
    return Loop(
        pedal=pedal,
        begin_s=begin - began,
        length_s=closed - begin,
        played_s=until - closed,
        beats=length,
        apart_beats=apart,
    )


def _place(beats: Sequence[BeatPlaced], at: float) -> float | None:
    """Return how many beats lie before a moment, fraction included; None where no beat is near."""
    after = bisect_right(beats, at, key=lambda beat: beat.at)
    near = beats[max(0, after - 1)] if beats else None
    if near is None or abs(at - near.at) > 2.0 * 60.0 / near.tempo:
        return None
    return near.index + (at - near.at) * near.tempo / 60.0
