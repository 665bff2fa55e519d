"""Conversions between the units that the bridge speaks: bpm, seconds, cents, decibels, MIDI ticks."""

from __future__ import annotations

from math import isfinite, log2, log10

TICKS_PER_BEAT = 24
"""Timing Clock messages in a quarter note. Source: MIDI 1.0 Detailed Specification, Timing Clock."""

TEMPO_MIN = 20.0
"""Slowest tempo that the bridge handles, in bpm."""

TEMPO_MAX = 400.0
"""Fastest tempo that the bridge handles, in bpm."""

RANGE_SLACK = 1.03
"""A deck is followed so far beyond its tempo range at either end, as a factor: a tape drifts."""

RATE_MIN, RATE_MAX = 8_000, 192_000
"""Fewest and most frames of sound per second that the bridge takes."""

FLAC_CHANNELS = 8
"""Most channels in one FLAC stream. Source: RFC 9639 section 9.1.3."""

SILENCE_DB = -120.0
"""What a level of nothing at all is called, in dB relative to full scale."""


def finite(name: str, value: float) -> None:
    """Refuse what is no time.

    Raises:
        ValueError: ``value`` is NaN or infinite.
    """
    if not isfinite(value):
        raise ValueError(f"{name} must be a finite time in seconds, got {value!r}")


def within(name: str, value: float, low: float, high: float) -> None:
    """Refuse what is out of range.

    Raises:
        ValueError: ``value`` is NaN or outside ``low``..``high``.
    """
    if not low <= value <= high:  # NaN fails too
        raise ValueError(f"{name} must be {low:g}..{high:g}, got {value!r}")


def one_of(name: str, value: str, allowed: tuple[str, ...]) -> None:
    """Refuse what is no known word.

    Raises:
        ValueError: ``value`` is not among ``allowed``.
    """
    if value not in allowed:
        raise ValueError(f"{name} must be one of {', '.join(allowed)}; got {value!r}")


def checked_tempo(tempo: float) -> float:
    """Return ``tempo`` if it is one that the bridge handles.

    Args:
        tempo: Quarter notes per minute.

    Raises:
        ValueError: ``tempo`` is NaN or outside 20..400 bpm.
    """
    if not TEMPO_MIN <= tempo <= TEMPO_MAX:  # NaN fails too
        raise ValueError(f"tempo must be {TEMPO_MIN:g}..{TEMPO_MAX:g} bpm, got {tempo!r}")
    return tempo


def period_s(tempo: float) -> float:
    """Return the length of one beat in seconds at ``tempo`` bpm.

    Raises:
        ValueError: ``tempo`` is outside 20..400 bpm.
    """
    return 60.0 / checked_tempo(tempo)


def tick_interval_s(tempo: float) -> float:
    """Return the time between two clock ticks in seconds at ``tempo`` bpm: 2.5 / tempo.

    Raises:
        ValueError: ``tempo`` is outside 20..400 bpm.

    Source: MIDI 1.0 Detailed Specification, 24 Timing Clocks a quarter note.
    """
    return period_s(tempo) / TICKS_PER_BEAT


def cents(ratio: float) -> float:
    """Return a frequency or speed ratio in cents: 1200 log2 ratio.

    Raises:
        ValueError: ``ratio`` is not a finite number above 0.
    """
    if not (ratio > 0 and isfinite(ratio)):
        raise ValueError(f"a ratio must be finite and above 0, got {ratio!r}")
    return 1200.0 * log2(ratio)


def ratio_of_cents(interval: float) -> float:
    """Return the frequency ratio of an interval in cents: 2 to the power of interval / 1200.

    Raises:
        ValueError: ``interval`` is not finite.
    """
    if not isfinite(interval):
        raise ValueError(f"an interval must be a finite number of cents, got {interval!r}")
    return float(2.0 ** (interval / 1200.0))


def level_db(rms: float) -> float:
    """Return a linear level (1.0 is full scale) in dB, never below -120.

    Raises:
        ValueError: ``rms`` is negative or NaN.
    """
    if not rms >= 0:
        raise ValueError(f"a level must be 0 or above, got {rms!r}")
    return max(SILENCE_DB, 20.0 * log10(rms)) if rms > 0 else SILENCE_DB


def clock_text(seconds: float) -> str:
    """Return a duration as ``h:mm:ss`` or ``m:ss``, rounded down, as chapters and status lines show it.

    Raises:
        ValueError: ``seconds`` is negative or not finite.
    """
    if not (seconds >= 0 and isfinite(seconds)):
        raise ValueError(f"a duration must be finite and 0 s or more, got {seconds!r}")
    minutes, second = divmod(int(seconds), 60)
    hour, minute = divmod(minutes, 60)
    return f"{hour}:{minute:02}:{second:02}" if hour else f"{minute}:{second:02}"


def counted(count: int, what: str) -> str:
    """Return a number with what it counts: "1 deck", "3 decks"."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
