"""What a script gets of a review: plain values, as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bridge.review.page import review_take
from bridge.review.record import record_of
from tests.review.sample import LENGTH_S, ferry_night, write_take
from tests.review.sound import ferry_night_with_sound


def test_a_review_is_plain_values_with_what_the_page_says(tmp_path: Path):
    record = json.loads(json.dumps(record_of(review_take(ferry_night_with_sound(tmp_path / "night"))), allow_nan=False))
    assert record["length_s"] == LENGTH_S
    assert [deck["name"] for deck in record["decks"]] == ["north", "south"]
    assert record["decks"][0]["pieces"][0]["drift_percent"] == pytest.approx(1.6, abs=0.1)
    assert record["pedals"][0]["echoes"]["within_2"] > 0.9
    assert record["loudness"]["south"]["true_peak_db"] == pytest.approx(-26.02, abs=0.2)
    assert len(record["chapters"]) == 5
    assert [mark["text"] for mark in record["marks"]][1] == "kettle on ☕ 灯台"
    assert len(record["troubles"]) == 3


def test_a_take_without_sound_or_facts_is_a_record_too(tmp_path: Path):
    assert record_of(review_take(write_take(tmp_path / "night", ferry_night())))["loudness"] == {}
    bare = record_of(review_take(write_take(tmp_path / "bare", [])))
    assert (bare["decks"], bare["chapters"]) == ([], [])
