"""Tests of what the pedals are told."""
