"""Doubles of what surrounds the bridge, public for users' own tests: clock, ports, tapes, pedals, loopers, a set."""
