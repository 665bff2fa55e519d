"""Promises of what the pages share."""
