"""Tests of hearing one deck."""
