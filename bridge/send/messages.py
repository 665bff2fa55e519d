"""The wire bytes of MIDI messages that are sent."""

CLOCK = b"\xf8"
"""Timing Clock, 24 to a quarter note; may fall between the bytes of another message.

Source: MIDI 1.0 Detailed Specification, System Real Time Messages.
"""
