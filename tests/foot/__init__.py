"""Tests of what a foot asks for."""
