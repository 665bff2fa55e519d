"""The table of beats is read back by others as it was placed."""

from __future__ import annotations

import csv
import io

import pytest

from bridge.events import BeatPlaced
from bridge.review.tables import tempo_csv
from tests.review.sample import BEGAN, ferry_night


def test_every_beat_is_a_row_in_order_of_time() -> None:
    facts = ferry_night()
    rows = list(csv.DictReader(io.StringIO(tempo_csv(facts, BEGAN).decode(), newline="")))
    placed = [fact for fact in facts if isinstance(fact, BeatPlaced)]
    assert len(rows) == len(placed) > 100
    for row, beat in zip(rows, placed, strict=True):
        assert float(row["time_s"]) == pytest.approx(beat.at - BEGAN, abs=1e-6)
        assert float(row["tempo_bpm"]) == pytest.approx(beat.tempo, abs=1e-3)
        assert (row["deck"], int(row["beat"]), float(row["confidence"])) == (beat.deck, beat.index, beat.confidence)


def test_the_bytes_are_those_of_rfc_4180() -> None:
    """Rows end in CR LF, fields with commas or quotes are quoted, quotes doubled. Source: RFC 4180 section 2."""
    beat = BeatPlaced(at=2.5, deck='north, "left"', index=3, tempo=84.0, confidence=0.5, known=3.0)
    assert tempo_csv([beat], 1.0) == (
        b'time_s,deck,beat,tempo_bpm,confidence\r\n1.500000,"north, ""left""",3,84.000,0.500\r\n'
    )


def test_a_take_without_beats_is_a_header_alone() -> None:
    assert tempo_csv([], 0.0) == b"time_s,deck,beat,tempo_bpm,confidence\r\n"
