"""Promises of the review: what the journal says, told in full and harmlessly."""
