"""Tests of watching what the hand does to a deck."""
