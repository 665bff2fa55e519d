"""The tempo map puts every beat where the journal has it, as two other programs read it."""

from __future__ import annotations

import io
import math
from bisect import bisect_right
from itertools import pairwise

import mido
import pytest
import symusic
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import BeatPlaced, MarkPlaced, TakeStarted
from bridge.review.facts import tell
from bridge.review.tempo_map import SLOWEST_US, STEP_US, TICKS, tempo_mid, tempo_segments, tick_of
from tests.review.sample import BEGAN, WALL, ferry_night

WITHIN_S = 0.001


def beats_of(facts, deck: str) -> list[float]:
    return sorted(fact.at - BEGAN for fact in facts if isinstance(fact, BeatPlaced) and fact.deck == deck)


def by_symusic(data: bytes) -> dict[str, list[float]]:
    """Times of the notes of each track in seconds. symusic has a parser of its own, in C++.

    Its own seconds are float32, too coarse after some minutes: its ticks and tempos are added up here.
    """
    score = symusic.Score.from_midi(data)
    begins, at, before = [], 0, None
    for tempo in score.tempos:
        at += 0 if before is None else (tempo.time - before.time) * before.mspq  # microseconds times ticks a quarter
        begins.append((tempo.time, at, tempo.mspq))
        before = tempo
    ticks = [tick for tick, _, _ in begins]

    def seconds(tick: int) -> float:
        first, us, mspq = begins[bisect_right(ticks, tick) - 1]
        return (us + (tick - first) * mspq) / score.ticks_per_quarter / 1e6

    return {track.name: sorted(seconds(note.start) for note in track.notes) for track in score.tracks}


def by_mido(data: bytes) -> dict[str, list[float]]:
    """The same, by mido: each track merged with the map."""
    file = mido.MidiFile(file=io.BytesIO(data), charset="utf-8")
    found = {}
    for track in file.tracks[1:]:
        seconds, times, tempo = 0.0, [], 500_000
        for message in mido.merge_tracks([file.tracks[0], track]):
            seconds += mido.tick2second(message.time, file.ticks_per_beat, tempo)
            if message.type == "set_tempo":
                tempo = message.tempo
            elif message.type == "note_on":
                times.append(seconds)
        found[track.name] = times
    return found


@pytest.mark.parametrize("read", [by_symusic, by_mido])
def test_every_beat_of_both_decks_is_within_a_millisecond_of_the_journals(read):
    facts = ferry_night()
    found = read(tempo_mid(tell(facts)))
    assert found.keys() == {"beats of north", "beats of south"}
    for deck in ("north", "south"):
        assert found[f"beats of {deck}"] == pytest.approx(beats_of(facts, deck), abs=WITHIN_S)


def test_over_four_hours_no_error_gathers():
    """A tape that wanders by 1 %, and beats that nobody heard for a while every ten minutes."""
    facts, at, index = [TakeStarted(at=BEGAN, wall=WALL, name="", version="", decks=("north",), pedals=())], 3.0, 0
    while at < 4 * 3600:
        tempo = 84 * (1 + 0.01 * math.sin(at / 90))
        if at % 600 > 45:
            placed = BeatPlaced(at=BEGAN + at, deck="north", index=index, tempo=tempo, confidence=1, known=BEGAN + at)
            facts.append(placed)
        at, index = at + 60 / tempo, index + 1
    found = by_symusic(tempo_mid(tell(facts)))["beats of north"]
    assert len(found) > 15_000
    assert found == pytest.approx(beats_of(facts, "north"), abs=WITHIN_S)


@given(st.lists(st.integers(STEP_US, 100_000_000), min_size=1, max_size=60))
def test_any_beats_at_all_lie_on_whole_quarter_notes(gaps):
    """Added up as a reader does it: ticks times the whole microseconds that each tempo event tells."""
    beats = [sum(gaps[: n + 1]) for n in range(len(gaps))]
    segments = tempo_segments(beats)
    assert all(1 <= segment.tempo_us <= SLOWEST_US for segment in segments)
    for before, after in pairwise(segments):
        assert (after.tick - before.tick) % TICKS == 0
        assert after.at_us - before.at_us == (after.tick - before.tick) // TICKS * before.tempo_us
    begins = [segment.at_us for segment in segments]
    for beat in beats:
        tick = tick_of(beat, segments, begins)
        segment = segments[bisect_right(begins, beat) - 1]
        assert tick % TICKS == 0
        assert segment.at_us + (tick - segment.tick) // TICKS * segment.tempo_us == beat


def test_a_steady_tape_has_the_tempo_that_others_write():
    """90 bpm is 666667 us a quarter note. Source: CHECK_VALUES 3.2, mido's bpm2tempo."""
    beats = [round(1e6 * n * 60 / 90) for n in range(1, 200)]
    assert {segment.tempo_us for segment in tempo_segments(beats)} <= {666_666, 666_667}


def test_marks_and_changes_are_markers_in_any_letters():
    facts = [*ferry_night(), MarkPlaced(at=BEGAN + 40, wall=WALL, text="👩‍🚒 <b> " + "horns " * 2000)]
    file = mido.MidiFile(file=io.BytesIO(tempo_mid(tell(facts))), charset="utf-8")
    texts = [message.text for message in file.tracks[0] if message.type == "marker"]
    assert "kettle on ☕ 灯台" in texts
    assert "north: speed switch" in texts
    assert all(len(text) <= 90 for text in texts)


def test_a_take_without_beats_is_a_file_all_the_same():
    for facts in ([], [fact for fact in ferry_night() if not isinstance(fact, BeatPlaced)]):
        assert len(mido.MidiFile(file=io.BytesIO(tempo_mid(tell(facts))), charset="utf-8").tracks) == 1
