"""Tests of the line-up."""
