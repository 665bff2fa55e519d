"""Tests of the commands that have more to them than a call."""
