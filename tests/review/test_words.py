"""Numbers carry their units, and no text can harm a page or a file."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.review.words import bpm, clean, day_and_time, ending, late, percent, signed, time
from tests.review.sample import LENGTH_S, WALL
from tests.review.test_rows import plain


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (time(0.0), "0:00"),
        (time(-3.0), "0:00"),
        (time(LENGTH_S), "2:00"),
        (time(3725.9), "1:02:05"),
        (bpm(84.04), "84.0 bpm"),
        (bpm(None), "–"),
        (percent(0.704), "70 %"),
        (percent(None), "–"),
        (late(0.04), "at once"),
        (late(0.05), "0.1 s later"),
        (late(5.21), "5.2 s later"),
        (ending(None), "The journal does not say that the take ended."),
        (ending("Ctrl-C"), "Ended: Ctrl-C."),
        (ending(""), "Ended: no reason given."),
        (ending("its 124.5 s were over"), "Ended after 124.5 s, as asked."),
        (ending("the sender was lost: gone"), "Ended because the program that sends the clock was lost (gone)."),
        (signed(-1.52, "%", 1), "−1.5 %"),
        (signed(-0.04, "%", 1), "+0.0 %"),
        (signed(None, "%", 1), "–"),
        (signed(-1.3, "cents", 0), "−1 cent"),
        (signed(0.7, "cents", 0), "+1 cent"),
        (signed(-11.0, "cents", 0), "−11 cents"),
        (signed(1.0, "cents", 1), "+1.0 cents"),
        (day_and_time(WALL), "Wednesday 25 November 2026, 19:03 UTC"),
        (day_and_time(None), ""),
        (day_and_time(1e300), ""),
        (day_and_time(float("nan")), ""),
    ],
)
def test_numbers_carry_their_units_and_the_impossible_is_left_out(text: str, wanted: str) -> None:
    assert plain(text) == wanted


@given(st.text())
def test_cleaned_text_can_be_encoded_and_loses_no_letter(text: str) -> None:
    cleaned = clean(text)
    cleaned.encode()
    assert len(cleaned) == len(text)
    assert clean("kettle ☕ 👩‍🚒 灯台\tand\nfog \0\x1b\udc80") == "kettle ☕ 👩‍🚒 灯台\tand\nfog ���"
