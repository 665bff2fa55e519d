"""The bytes are the standard's."""

import mido

from bridge.send import messages


def test_clock_is_the_byte_of_the_standard():
    """F8, MIDI 1.0 Detailed Specification, System Real Time Messages; mido agrees."""
    assert messages.CLOCK == b"\xf8" == bytes(mido.Message("clock").bytes())
