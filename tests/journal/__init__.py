"""Promises of the journal: nothing accepted is lost, nothing sound is refused."""
