"""What a line-up finds: one thing at a time, whether it is well, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from bridge.units import counted

Well = Literal["well", "look", "open"]
"""well: as it should be. look: to be looked at. open: not measured, and therefore unknown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing about one deck or pedal.

    Attributes:
        where: The deck's or pedal's name, or "sound" for the device itself.
        what: What was looked at, in a word or two, such as "level".
        well: Whether it is well.
        said: What was found, in one line.
        todo: What to do about it; empty if it is well.
    """

    where: str
    what: str
    well: Well
    said: str
    todo: str = ""


def summary(findings: Sequence[Finding]) -> str:
    """Return how it went in one sentence."""
    look = sum(finding.well == "look" for finding in findings)
    unknown = sum(finding.well == "open" for finding in findings)
    if not findings:
        return "Nothing was looked at."
    if look == unknown == 0:
        return "All is well."
    if look == 0:
        return f"Nothing is amiss. Not checked: {counted(unknown, 'thing')}."
    also = f" Not checked: {counted(unknown, 'thing')}." if unknown else ""
    return f"To look at: {counted(look, 'thing')}.{also}"
