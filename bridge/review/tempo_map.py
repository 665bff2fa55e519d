"""A take's beats as a Standard MIDI File: a tempo map of the deck that was followed most, and every deck's beats.

One tempo map can follow one deck only, since the decks are not synchronised to each other. So the first track's tempo
follows the lead, beat by beat, and each deck has a track with a short note on every beat, in its place in time.
"""

from __future__ import annotations

import io
from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import mido

from bridge.review.chapters import one_line
from bridge.review.story import DeckStory, Story

TICKS = 1920
"""Ticks a quarter note: half a tick is 0.26 ms at 60 bpm, and 0.8 ms at 20 bpm, the slowest tempo there is."""

SLOWEST_US = (1 << 24) - 1
"""Longest quarter note that a tempo event can tell, in microseconds. Source: Standard MIDI Files 1.0, FF 51 03."""

STEP_US = 1000
"""Beats that are closer than this are one."""

NOTE, NOTE_TICKS = 76, 60
"""Note of a beat (high wood block, on channel 10 of General MIDI) and its length."""


@dataclass(frozen=True, slots=True)
class Segment:
    """One straight piece of the map: so many beats, from a tick on, at one tempo.

    Attributes:
        tick: Its first tick.
        at_us: Its first moment in microseconds since the take began, as a reader of the file adds it up.
        tempo_us: Length of its quarter notes in microseconds.
    """

    tick: int
    at_us: int
    tempo_us: int


def tempo_mid(story: Story) -> bytes:
    """Return the take's beats as a Standard MIDI File of format 1.

    Read by its own tempo map, every beat is within 1 ms of the journal's. Where no beat was heard, the map counts on
    in whole beats near the last tempo, so that a beat of the lead is always a beat of the map. Marks and deck changes
    are markers. Names are UTF-8.
    """
    lead = max(story.decks, key=lambda deck: len(deck.beats), default=None)
    segments = tempo_segments(_beats_us(lead, story.began) if lead else [])
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS, charset="utf-8")
    file.tracks.append(_map_track(story, lead, segments))
    file.tracks += [_beat_track(deck, story.began, segments) for deck in story.decks if deck.beats]
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def tempo_segments(beats_us: Sequence[int]) -> list[Segment]:
    """Return the tempo map on which every beat is a whole quarter note.

    Every piece is exact to the microsecond: where a gap is no whole number of microseconds for each of its quarter
    notes, its last one takes up the rest.

    Args:
        beats_us: When the lead's beats are, in microseconds, above 0 and increasing by at least `STEP_US`.
    """
    segments: list[Segment] = []
    tick = at = 0
    usual = beats_us[1] - beats_us[0] if len(beats_us) > 1 else 500_000
    for beat in beats_us:
        gap = beat - at
        count = max(1, round(gap / usual), -(-gap // SLOWEST_US))
        usual = gap // count
        pieces = [(count - 1, usual), (1, gap - (count - 1) * usual)]  # the last quarter note takes up the rounding
        for quarters, tempo in pieces:
            if quarters:
                segments.append(Segment(tick, at, tempo))
            tick += quarters * TICKS
            at += quarters * tempo
    segments.append(Segment(tick, at, usual))
    return segments


def tick_of(at_us: float, segments: Sequence[Segment], begins: Sequence[int]) -> int:
    """Return the tick nearest to a moment; ``begins`` are the segments' own, to look it up."""
    segment = segments[max(0, bisect_right(begins, at_us) - 1)]
    return max(0, round(segment.tick + (at_us - segment.at_us) * TICKS / segment.tempo_us))


def _beats_us(deck: DeckStory, began: float) -> list[int]:
    found: list[int] = []
    for at in sorted(round(1e6 * (beat.at - began)) for beat in deck.beats):
        if at >= STEP_US and (not found or at - found[-1] >= STEP_US):
            found.append(at)
    return found


_Event = tuple[int, int, Callable[..., mido.MetaMessage | mido.Message]]
"""Tick, order within it, and what makes the message once its time is known."""


def _map_track(story: Story, lead: DeckStory | None, segments: Sequence[Segment]) -> mido.MidiTrack:
    begins = [segment.at_us for segment in segments]
    meta = mido.MetaMessage
    name = f"tempo of {lead.name}" if lead else "no beat was heard"
    events: list[_Event] = [(0, 0, partial(meta, "track_name", name=one_line(name)))]
    for before, segment in pairwise([None, *segments]):
        if segment is not None and (before is None or before.tempo_us != segment.tempo_us):
            events.append((segment.tick, 1, partial(meta, "set_tempo", tempo=segment.tempo_us)))
    texts = [(mark.seconds, mark.text) for mark in story.marks]
    texts += [(change.seconds, f"{change.deck}: {change.words}") for change in story.changes if change.by_hand]
    for seconds, text in texts:
        events.append((tick_of(1e6 * seconds, segments, begins), 2, partial(meta, "marker", text=one_line(text))))
    return _track(events)


def _beat_track(deck: DeckStory, began: float, segments: Sequence[Segment]) -> mido.MidiTrack:
    begins = [segment.at_us for segment in segments]
    note = partial(mido.Message, channel=9, note=NOTE, skip_checks=True)  # two messages for each beat of a night
    events: list[_Event] = [(0, 0, partial(mido.MetaMessage, "track_name", name=one_line(f"beats of {deck.name}")))]
    for beat in deck.beats:
        tick = tick_of(1e6 * (beat.at - began), segments, begins)
        events.append((tick, 2, partial(note, "note_on", velocity=1 + round(126 * beat.confidence))))
        events.append((tick + NOTE_TICKS, 1, partial(note, "note_off")))
    return _track(events)


def _track(events: Iterable[_Event]) -> mido.MidiTrack:
    """Return a track of events at absolute ticks; those of one tick go in the order of their second number."""
    track = mido.MidiTrack()
    before = 0
    for tick, _, made in sorted(events, key=lambda event: event[:2]):
        track.append(made(time=tick - before))
        before = tick
    return track
