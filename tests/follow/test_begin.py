"""What a beat needs before it is followed."""

from __future__ import annotations

from bridge.follow.begin import Needed, needed


def wants(
    *, seen: int = 0, is_told: bool = False, is_held: bool = False, was_long: bool = False, doubts: bool = False
) -> Needed:
    return needed(seen=seen, is_told=is_told, is_held=is_held, was_long=was_long, doubts=doubts)


def test_a_told_tempo_needs_less_of_everything():
    told, unknown = wants(is_told=True), wants()
    assert told.seen < unknown.seen
    assert told.in_step < unknown.in_step
    assert told.present < unknown.present


def test_the_held_tempo_of_a_beat_followed_long_is_caught_soonest_and_however_faint():
    back = wants(is_held=True, was_long=True)
    assert back.seen < wants(is_told=True).seen
    assert back.present == 0.0
    assert wants(is_held=True).seen == wants().seen


def test_after_a_beat_that_soon_ended_more_is_needed():
    assert wants(doubts=True).seen > wants().seen
    assert wants(doubts=True).in_step > wants().in_step


def test_what_stays_for_eight_seconds_need_be_in_step_as_one_expected_only():
    assert wants(seen=800, doubts=True).in_step == wants(is_held=True, was_long=True).in_step
