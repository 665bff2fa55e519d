"""Benchmarks: each prints JSON."""
