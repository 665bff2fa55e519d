"""Blocks of sound become pieces, and not a frame is lost, moved or changed."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bridge.journal.gathered import GATHER_S, Gathered

RATE = 1000
ENOUGH = round(GATHER_S * RATE)


@given(st.lists(st.tuples(st.integers(1, 300), st.integers(0, 3)), max_size=40))
def test_pieces_hold_all_frames_at_their_places_and_only_the_last_before_a_gap_is_short(blocks):
    """Blocks of a length, each after a gap."""
    gathered, pieces, given_frames, frame = Gathered(RATE), [], [], 0
    for length, gap in blocks:
        frame += gap
        block = np.arange(frame, frame + length, dtype=np.float32)[:, None]
        pieces += gathered.add(frame, block)
        given_frames += range(frame, frame + length)
        block[:] = -1.0  # it was copied
        frame += length
    pieces += gathered.rest()
    assert gathered.rest() == []
    assert [int(value) for _, samples in pieces for value in samples[:, 0]] == given_frames
    assert all(begin == samples[0, 0] for begin, samples in pieces)
    ends = [begin + len(samples) for begin, samples in pieces]
    short = [len(samples) < ENOUGH for _, samples in pieces[:-1]]
    assert all(begin > end for is_short, end, (begin, _) in zip(short, ends, pieces[1:], strict=False) if is_short)


def test_a_block_that_is_long_enough_is_handed_on_at_once():
    gathered = Gathered(RATE)
    assert [(begin, len(samples)) for begin, samples in gathered.add(7, np.zeros((ENOUGH, 2), np.float32))] == [
        (7, ENOUGH)
    ]
