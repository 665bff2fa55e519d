"""Numbers with their units, times as m:ss, and texts that harm nothing."""

from __future__ import annotations

import re
import unicodedata
from datetime import UTC, datetime

from bridge.review.troubles import SENDER_LOST
from bridge.units import clock_text

NONE = "–"
"""What stands where there is nothing to say."""

AT_ONCE_S = 0.05
"""What is noticed within this is noticed at once."""


def time(seconds: float) -> str:
    """Return a time since the begin of the take as m:ss; what lies before the begin is 0:00."""
    return clock_text(max(0.0, seconds))


def bpm(tempo: float | None) -> str:
    """Return a tempo with its unit."""
    return NONE if tempo is None else f"{tempo:.1f}\xa0bpm"


def percent(share: float | None) -> str:
    """Return a share of 0 to 1 in whole per cent."""
    return NONE if share is None else f"{100 * share:.0f}\xa0%"


def signed(number: float | None, unit: str, digits: int) -> str:
    """Return a number with its sign and unit."""
    if number is None:
        return NONE
    shown = f"{round(number, digits) + 0.0:+.{digits}f}".replace("-", "−")
    return f"{shown}\xa0{'cent' if unit == 'cents' and shown[1:] == '1' else unit}"


def number(value: float | None, unit: str, digits: int) -> str:
    """Return a number with its unit, and a sign where it is below 0."""
    return NONE if value is None else f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−") + f"\xa0{unit}"


def lasts(seconds: float) -> str:
    """Return how long something lasts: in seconds to one digit, from a minute on as m:ss or h:mm:ss."""
    if seconds < 59.95:
        return f"{seconds:.1f}\xa0s"
    return f"{clock_text(seconds)}\xa0{'min' if seconds < 3600 else 'h'}"


def late(seconds: float) -> str:
    """Return how much later something was noticed."""
    return "at once" if seconds < AT_ONCE_S else f"{seconds:.1f}\xa0s later"


def ending(why: str | None) -> str:
    """Return how a take ended, as a sentence.

    Args:
        why: The reason that the take's last fact gives; None where there is none.
    """
    if why is None:
        return "The journal does not say that the take ended."
    if over := re.fullmatch(r"its (\S+) s were over", why):
        return f"Ended after {over[1]}\xa0s, as asked."
    if why.startswith(SENDER_LOST):
        return f"Ended because the program that sends the clock was lost ({clean(why.removeprefix(SENDER_LOST))})."
    return f"Ended: {clean(why) or 'no reason given'}."


def day_and_time(wall: float | None) -> str:
    """Return wall time as a date and time of day in UTC; empty where it is unknown or no date."""
    then = moment(wall)
    return f"{then:%A} {then.day} {then:%B %Y, %H:%M} UTC" if then else ""


def clean(text: str) -> str:
    """Return a text without control characters and halves of surrogate pairs; lines and tabs stay."""
    return "".join("�" if unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\t" else c for c in text)


def moment(wall: float | None) -> datetime | None:
    """Return wall time, seconds since 1970 UTC, as a date; None where it is unknown or no date of this world."""
    try:
        return None if wall is None else datetime.fromtimestamp(wall, UTC)
    except (OverflowError, ValueError, OSError):  # no wall clock of this world
        return None
