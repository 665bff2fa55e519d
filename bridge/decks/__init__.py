"""Watches what the hand does to a deck: started, stopped, another tape, another speed."""
