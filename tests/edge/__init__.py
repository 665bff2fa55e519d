"""Tests of live input and output."""
