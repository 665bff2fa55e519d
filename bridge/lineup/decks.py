"""What the sound of the decks tells: level, clipping, hum, inputs that are silent, swapped or upside down, bleed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.lineup.findings import Finding
from bridge.measure.bleed import bleed_db
from bridge.measure.hum import find_hum
from bridge.measure.levels import Level, level, likeness
from bridge.rig import Deck
from bridge.units import counted

Sound = NDArray[np.floating]

SILENT_DB = -60.0
"""Loud parts below this are no tape that plays, in dB relative to full scale."""

QUIET_DB, LOUD_PEAK_DB = -40.0, -3.0
"""A tape's loud parts should not be below the first, nor its peaks above the second. Common practice, no source."""

HUM_DB, HISS_DB = -65.0, -45.0
"""A stopped deck should hum and hiss less than this, in dB relative to full scale."""

BLEED_DB = -30.0
"""More of one deck in the other makes the follower of the one hear the beat of the other."""

ELSEWHERE_DB = 10.0
"""Where another input is louder than the deck's own by so much, the deck is plugged in there."""

UNLIKE_DB = 20.0
"""Two inputs of one deck that differ by more: one of them hears next to nothing."""

UPSIDE_DOWN = -0.8
"""Two inputs of one deck that are more unlike than this cancel each other in the mix."""

EARTH = (
    "Move the cable away from mains leads and supplies, use a balanced or shorter one, or put an isolating transformer "
    "box in the line. Never lift the protective earth; a mains fault is for qualified service"
)


def of_stopped(deck: Deck, sound: Sound, rate: int) -> Iterator[Finding]:
    """Yield what a stopped deck tells: hum and hiss, of those inputs at which there is anything at all.

    Args:
        deck: The deck.
        sound: Shape (frames, channels), all inputs of the device, 2 s or more.
        rate: Frames per second.
    """
    heard = {channel: sound[:, channel - 1] for channel in deck.inputs if np.any(sound[:, channel - 1])}
    if not heard:
        yield from (_nothing(deck, what) for what in ("hum", "silence"))
        return
    quiet = {channel: level(samples, rate) for channel, samples in heard.items()}
    loudest = max(quiet, key=lambda channel: quiet[channel].mean_db)
    hums = {channel: hum for channel, samples in heard.items() if (hum := find_hum(samples, rate)) is not None}
    if hums:
        channel, hum = max(hums.items(), key=lambda item: item[1].level_db)
        line = f"{hum.mains} Hz at {hum.level_db:.0f} dB on input {channel}"
        fault = hum.level_db > HUM_DB
        yield Finding(
            where=deck.name, what="hum", well="look" if fault else "well", said=line, todo=EARTH if fault else ""
        )
    else:
        yield Finding(where=deck.name, what="hum", well="well", said="none")
    hiss = quiet[loudest].mean_db
    if hums and max(hum.level_db for hum in hums.values()) > max(HUM_DB, hiss - 3):
        return  # what sounds there is the hum
    fault = hiss > HISS_DB
    yield Finding(
        where=deck.name,
        what="silence",
        well="look" if fault else "well",
        said=f"{hiss:.0f} dB on input {loudest}",
        todo="Something still sounds there: stop the deck, close what is open, or turn the gain down" if fault else "",
    )


def _nothing(deck: Deck, what: str) -> Finding:
    """Return that nothing was measured: a cable or a deck that is there makes some noise, however little."""
    said = f"not checked: no sound at all on {_inputs(deck.inputs)}, not even noise"
    return Finding(where=deck.name, what=what, well="open", said=said, todo="See that something is plugged in there")


def of_playing(deck: Deck, others: Sequence[Deck], sound: Sound, rate: int, *, alone: bool) -> Iterator[Finding]:
    """Yield what a deck that plays tells: level, clipping, silent, swapped and upside-down inputs, bleed.

    Args:
        deck: The deck.
        others: All other decks.
        sound: Shape (frames, channels), all inputs of the device, 2 s or more.
        rate: Frames per second.
        alone: Whether the other decks are stopped; otherwise nobody can tell where the deck is plugged in.
    """
    levels = [level(sound[:, index], rate) for index in range(sound.shape[1])]
    own = {channel: levels[channel - 1] for channel in deck.channels}
    tapped = {channel: levels[channel - 1] for channel in deck.dry}
    loudest = max(own.values(), key=lambda one: one.loud_db)
    if alone and (elsewhere := _elsewhere(deck, levels)):
        yield _plugged_elsewhere(deck, others, elsewhere)
        return
    if loudest.loud_db < SILENT_DB:
        yield Finding(
            where=deck.name,
            what="level",
            well="look",
            said=f"nothing heard on {_inputs(deck.channels)}",
            todo="Press play, open the fader and the send, and see that the cable goes to that input; "
            "or name the right one under channels",
        )
        return
    yield _level(deck, loudest)
    yield _clipping(deck, own | tapped)
    yield from _of_pairs(deck, own, sound)
    if tapped:
        yield _tap(deck, tapped)
    heard = [channel for channel, one in (own | tapped).items() if one.loud_db >= SILENT_DB]
    for other in others:
        yield _bleed(heard, other, sound, deck.name)


def of_first_track(deck: Deck, sound: Sound, rate: int) -> Finding:
    """Return whether the first track alone comes in at the first input that the rig names.

    Args:
        deck: A deck with two inputs or more.
        sound: Shape (frames, channels), all inputs of the device, while only its first track is open.
        rate: Frames per second.
    """
    levels = {channel: level(sound[:, channel - 1], rate).loud_db for channel in deck.channels}
    first, loudest = deck.channels[0], max(levels, key=lambda channel: levels[channel])
    if levels[loudest] < SILENT_DB:
        said, todo = "nothing heard", "Open the first track's fader, and try again"
        return Finding(where=deck.name, what="channels", well="open", said=said, todo=todo)
    if loudest != first:
        channels = [loudest, *(channel for channel in deck.channels if channel != loudest)]
        return Finding(
            where=deck.name,
            what="channels",
            well="look",
            said=f"swapped: the first track comes in at input {loudest}, and the rig says {first}",
            todo=f"Swap the two cables, or write channels = {channels}",
        )
    return Finding(where=deck.name, what="channels", well="well", said=f"the first track is on input {first}")


def _elsewhere(deck: Deck, levels: Sequence[Level]) -> int | None:
    """Return the input that a deck is plugged into instead of its own, counted from 1; None if it is not."""
    loudest = max(range(1, len(levels) + 1), key=lambda channel: levels[channel - 1].loud_db)
    own = max(levels[channel - 1].loud_db for channel in deck.channels)
    there = levels[loudest - 1].loud_db
    return loudest if loudest not in deck.inputs and there > SILENT_DB and there > own + ELSEWHERE_DB else None


def _plugged_elsewhere(deck: Deck, others: Sequence[Deck], channel: int) -> Finding:
    owner = next((other for other in others if channel in other.inputs), None)
    whose = f", which the rig gives to {owner.name}" if owner is not None else ""
    remedy = "Swap the cables of the two decks" if owner is not None else f"Plug it into {_inputs(deck.channels)}"
    return Finding(
        where=deck.name,
        what="channels",
        well="look",
        said=f"swapped: it comes in at input {channel}{whose}, and not at {_inputs(deck.channels)}",
        todo=f"{remedy}, or change channels in the rig",
    )


def _level(deck: Deck, loudest: Level) -> Finding:
    said = f"{loudest.loud_db:.0f} dB, peaks at {loudest.peak_db:.0f} dB"
    if loudest.loud_db < QUIET_DB:
        todo = "Turn the send or the input's gain up, until its peaks reach -12 dB or so"
        return Finding(where=deck.name, what="level", well="look", said=f"low: {said}", todo=todo)
    if loudest.peak_db > LOUD_PEAK_DB:
        todo = "Turn the input's gain down, until its peaks stay below -6 dB or so"
        return Finding(where=deck.name, what="level", well="look", said=f"high: {said}", todo=todo)
    return Finding(where=deck.name, what="level", well="well", said=said)


def _clipping(deck: Deck, own: dict[int, Level]) -> Finding:
    clipped = {channel: one.clipped for channel, one in own.items() if one.clipped}
    if not clipped:
        return Finding(where=deck.name, what="clipping", well="well", said="none")
    return Finding(
        where=deck.name,
        what="clipping",
        well="look",
        said=f"{counted(sum(clipped.values()), 'peak')} cut off on {_inputs(clipped)}",
        todo="Turn the input's gain down",
    )


def _of_pairs(deck: Deck, own: dict[int, Level], sound: Sound) -> Iterator[Finding]:
    loudest = max(own, key=lambda channel: own[channel].loud_db)
    for channel, one in own.items():
        if one.loud_db < own[loudest].loud_db - UNLIKE_DB:
            yield Finding(
                where=deck.name,
                what=f"input {channel}",
                well="look",
                said=f"{own[loudest].loud_db - one.loud_db:.0f} dB below input {loudest}",
                todo=f"Look at its cable and fader; if that track is meant to be empty, take {channel} out of channels",
            )
        elif channel != loudest and likeness(sound[:, channel - 1], sound[:, loudest - 1]) < UPSIDE_DOWN:
            yield Finding(
                where=deck.name,
                what=f"input {channel}",
                well="look",
                said=f"upside down beside input {loudest}: together they cancel",
                todo="Turn one of them over (polarity, phase), or change its cable",
            )


def _tap(deck: Deck, tapped: dict[int, Level]) -> Finding:
    """Return whether a deck's dry tap is heard, since its beat is sought there."""
    best = max(tapped.values(), key=lambda one: one.loud_db)
    if best.loud_db >= QUIET_DB:
        return Finding(where=deck.name, what="dry tap", well="well", said=f"{best.loud_db:.0f} dB")
    is_silent = best.loud_db < SILENT_DB
    said = f"nothing heard on {_inputs(deck.dry)}" if is_silent else f"low: {best.loud_db:.0f} dB"
    todo = "See that its cable goes to that input" if is_silent else "Turn the input's gain up"
    return Finding(where=deck.name, what="dry tap", well="look", said=said, todo=f"{todo}: the beat is sought there")


def _bleed(heard: Sequence[int], other: Deck, sound: Sound, name: str) -> Finding:
    """Return how much of what is heard at some inputs of a deck is in the other one's."""
    pairs = [(a, b) for a in heard for b in other.inputs if a != b]
    told = max(((bleed_db(sound[:, a - 1], sound[:, b - 1]), b) for a, b in pairs), default=(-120.0, 0))
    worst, channel = told
    what = f"bleed into {other.name}"
    if worst <= BLEED_DB:
        said = f"{worst:.0f} dB" if worst > SILENT_DB else "none"
        return Finding(where=name, what=what, well="well", said=said)
    return Finding(
        where=name,
        what=what,
        well="look",
        said=f"{worst:.0f} dB, on input {channel}",
        todo="Take a dry tap before the mix, part the two cables, or turn the send of the other deck down",
    )


def _inputs(channels: Sequence[int] | dict[int, int]) -> str:
    named = [str(channel) for channel in channels]
    return f"input {named[0]}" if len(named) == 1 else f"inputs {', '.join(named[:-1])} and {named[-1]}"
