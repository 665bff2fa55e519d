"""Tape Bridge: keeps delays on the beat of wandering tapes, watches the decks, and writes down the set."""

__version__ = "0.1.0"
