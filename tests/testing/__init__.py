"""Tests of the doubles in bridge/testing."""
