"""The tables of the page that tell of pedals."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.review.story import Deed, Echoes, Loop, PedalStory, Story
from bridge.review.table import Table, table
from bridge.review.words import NONE, bpm, lasts, percent, signed, time


def pedal_tables(story: Story) -> tuple[Table, ...]:
    """Return the tables that tell of pedals; those about deeds, loops and cues only where there were any."""
    found = [_pedals(story.pedals), _echoes(story.pedals), _catch_ups(story.pedals)]
    if story.deeds:
        found.append(_deeds("Hands and feet", ("Time", "Whose", "What"), story.deeds))
    if story.loops:
        found.append(_loops(story.loops))
    if story.cues:
        found.append(_deeds("Cues", ("Time", "Cue", "Fired by"), story.cues))
    return tuple(found)


def _pedals(pedals: Sequence[PedalStory]) -> Table:
    rows = []
    got = any(pedal.taps or pedal.times for pedal in pedals)
    for pedal in pedals:
        tempos = [step.tempo for step in pedal.steps]
        row = [
            pedal.name,
            pedal.deck or NONE,
            f"{pedal.steps[-1].ratio:.4g}" if tempos else NONE,
            bpm(min(tempos, default=None)),
            bpm(max(tempos, default=None)),
            f"{len(tempos):,}",
        ]
        rows.append([*row, f"{pedal.taps:,}", f"{pedal.times:,}"] if got else row)
    heads = ["Pedal", "Listens to", "Clock a beat", "Slowest clock", "Fastest clock", "Times told"]
    heads += ["Taps", "Delay times"] if got else []
    return table("Pedals", heads, rows, "234567" if got else "2345", "No pedal is named in the journal.")


def _echoes(pedals: Sequence[PedalStory]) -> Table:
    measured = [(pedal.name, pedal.echoes) for pedal in pedals if pedal.echoes]
    rows = [
        (
            name,
            percent(echoes.within_1),
            percent(echoes.within_2),
            percent(echoes.within_5),
            _error(echoes.usual_ms, echoes.usual_beats),
            _error(echoes.worst_ms, echoes.worst_beats),
            _away(echoes),
        )
        for name, echoes in measured
    ]
    heads = ("Pedal", "Within 1\xa0%", "2\xa0%", "5\xa0%", "Half are within", "95\xa0% are within", "Caught up")
    note = (
        "While its deck was followed: the share of the time in which a pedal was so close to the tempo heard, and how "
        "far echoes fell from the beat, as far as the clock decides it."
    )
    return table("Echoes on the beat", heads, rows, "123456", "No pedal was told a tempo of a beat.", note=note)


def _error(ms: float, beats: float) -> str:
    return f"{ms:.1f}\xa0ms, {beats:.3f}\xa0beats"


def _away(echoes: Echoes) -> str:
    if not echoes.catch_ups:
        return "never had to"
    longest = max(away.end_s - away.begin_s for away in echoes.catch_ups)
    many = len(echoes.catch_ups)
    return f"once, in {lasts(longest)}" if many == 1 else f"{many} times, longest {lasts(longest)}"


def _catch_ups(pedals: Sequence[PedalStory]) -> Table:
    each = [(pedal.name, away) for pedal in pedals if pedal.echoes for away in pedal.echoes.catch_ups]
    each.sort(key=lambda pair: pair[1].begin_s)
    rows = [
        (time(away.begin_s), name, lasts(away.end_s - away.begin_s), signed(away.worst_percent, "%", 1))
        for name, away in each
    ]
    heads = ("Time", "Pedal", "Took", "At worst")
    moments = [away.begin_s for _, away in each]
    empty = "No pedal was ever further than 2\xa0% from its deck."
    return table("Catching up", heads, rows, "023", empty, moments=moments, folded=len(rows) > 8)


def _deeds(title: str, heads: tuple[str, str, str], deeds: Sequence[Deed]) -> Table:
    rows = [(time(deed.seconds), deed.whose, deed.what) for deed in deeds]
    return table(title, heads, rows, "0", "", moments=[deed.seconds for deed in deeds])


def _loops(loops: Sequence[Loop]) -> Table:
    rows = [
        (
            time(loop.begin_s),
            loop.pedal,
            f"{loop.length_s:.2f}\xa0s",
            NONE if loop.beats is None else f"{loop.beats:.2f}",
            lasts(loop.played_s),
            _apart(loop, loop.apart_beats),
            _apart(loop, loop.furthest_beats),
        )
        for loop in loops
    ]
    heads = ("Recorded", "Looper", "Length", "Beats", "Played", "Deck ahead in the end", "At most")
    moments = [loop.begin_s for loop in loops]
    note = "A loop keeps its length while the tape wanders: in the end the deck was so far ahead of it, or behind."
    return table("Loops", heads, rows, "023456", "", moments=moments, note=note)


def _apart(loop: Loop, beats: float | None) -> str:
    if beats is None or not loop.beats:
        return NONE
    return f"{signed(beats, 'beats', 2)}, {signed(1000.0 * beats * loop.length_s / loop.beats, 'ms', 0)}"
