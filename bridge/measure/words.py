"""What was measured, in words for somebody who wants to play: what it is, whether it is well, and what to do."""

from __future__ import annotations

from bridge.measure.answers import STEADY_MS, Answers
from bridge.measure.clock import ClockHeard
from bridge.units import counted

CABLE_MS = 0.32
"""One byte on a DIN cable: 10 bits at 31250 baud. Source: MIDI 1.0 Detailed Specification, hardware."""

EVEN_MS, ROUGH_MS = 1.0, 3.0
"""Up to the first, ticks are even; above the second, they are heard as a flutter of the delay."""

NOISY_DB = -40.0
"""An input that is louder than this before the first try is not quiet, in dB relative to full scale."""


def middle(told: Answers, unit: str = "ms") -> str:
    """Return the middle and the spread as one line."""
    if told.median_ms is None or told.spread_ms is None or told.least_ms is None or told.most_ms is None:
        return f"nothing heard in {told.tries} tries"
    return (
        f"{told.median_ms:.2f} {unit}, spread {told.spread_ms:.2f} {unit} "
        f"({told.least_ms:.2f} to {told.most_ms:.2f}, {told.heard} of {told.tries} heard)"
    )


def latency_line(told: Answers, less_ms: float = 0.0) -> str:
    """Return the line for a rig.

    Args:
        told: Steady answers.
        less_ms: What is taken off, in ms.
    """
    assert told.median_ms is not None
    return (
        f"latency_ms = {told.median_ms - less_ms:.1f}  # measured: median of {told.heard}, spread {told.spread_ms:.1f}"
    )


def of_click(
    told: Answers, claimed_ms: float, claimed_in_ms: float, block_ms: float, less_ms: float, *, turned: bool
) -> list[str]:
    """Return what a steady click means, line by line.

    Through a bare cable, what the device does not tell of itself is in its converters and drivers, half of it on
    either side (common practice, no source): that and what it tells of its input is the rig's ``sound.latency_ms``.

    Args:
        told: Steady answers.
        claimed_ms: What the device tells of itself out and in again, in ms.
        claimed_in_ms: The inward part of that, a block and more, in ms.
        block_ms: The length of a block, in ms.
        less_ms: What is taken off, in ms; 0 for a bare cable.
        turned: Whether it came back upside down.
    """
    assert told.median_ms is not None
    lines = ["turned   it came back upside down: one cable or box inverts"] if turned else []
    if less_ms:
        return [*lines, f"adds     {told.median_ms - less_ms:.2f} ms beside {less_ms:g} ms"]
    untold = told.median_ms - claimed_ms
    lines.append(
        f"device   tells {claimed_ms:.2f} ms of that itself; {untold:.2f} ms more are in converters and drivers"
    )
    inward = max(0.0, claimed_in_ms - block_ms + untold / 2)
    lines.append(f"rig      [sound] latency_ms = {inward:.1f}  # if a bare cable goes from that output to that input")
    return lines


def trouble_of_click(told: Answers, *, interrupted: bool, level_db: float) -> str:
    """Return what to do about a click that gave no steady answer; nothing if it did."""
    if not told.enough:
        return (
            f"The click was heard {told.heard} of {told.tries} times. See that the cable goes from that output to that "
            f"input, that both are turned up, and that the input is quiet; then try a louder click: "
            f"--level {min(-12.0, level_db + 6):g}"
        )
    if told.steady:
        return ""
    if interrupted:
        return "The sound was interrupted meanwhile. Close other programs, and measure again."
    return _unsteady("Switch off what echoes or wobbles between output and input")


def trouble_of_note(told: Answers, *, peak_db: float, quiet_db: float, lost: int) -> str:
    """Return what to do about a note that gave no steady answer; nothing if it did."""
    if told.steady:
        return ""
    if lost:
        return f"{counted(lost, 'frame')} of sound went missing meanwhile. Close other programs, and measure again."
    if told.enough:
        return _unsteady("Choose a sound that begins hard, and switch off what echoes")
    if quiet_db > NOISY_DB:
        return (
            f"The input is not quiet ({quiet_db:.0f} dB before the first note), so no note can be heard in it. "
            "Stop the decks, and turn down what hums."
        )
    return (
        f"The note was heard {told.heard} of {told.tries} times; the loudest at that input was {peak_db:.0f} dB. "
        "See that the port, channel and note are those that the pedal answers to, and that its output reaches "
        "that input."
    )


def _unsteady(remedy: str) -> str:
    return (
        f"The answers spread by more than {STEADY_MS:g} ms, which is no latency that could be taken off. "
        f"{remedy}, and measure again."
    )


def clock_lines(told: ClockHeard) -> list[str]:
    """Return how a clock came in, line by line; the last one says what it means."""
    if told.delay_ms is None or told.jitter_ms is None:
        return [f"{told.sent} ticks sent, none heard."]
    return [
        f"{told.sent} ticks sent, {told.heard} heard, {told.sent - told.heard} lost, {told.strange} besides",
        f"delay    {told.delay_ms:.2f} ms ({told.least_ms:.2f} to {told.most_ms:.2f}), of which a byte on a DIN "
        f"cable takes {CABLE_MS:g}",
        f"jitter   {told.jitter_ms:.2f} ms (standard deviation); 99 of 100 within {told.p99_ms:.2f} ms",
        f"interval {told.uneven_ms:.2f} ms off at worst",
        verdict(told),
    ]


def verdict(told: ClockHeard) -> str:
    """Return in one sentence whether a clock over that cable is fit to play with."""
    assert told.p99_ms is not None
    if told.strange:
        return "Something came in besides: a box that passes on what it gets, or a clock of its own. Take it out."
    if told.p99_ms <= EVEN_MS:
        return "Even: no pedal will show it."
    if told.p99_ms <= ROUGH_MS:
        return "Usable. A sequencer may sound a little loose; another interface or a shorter chain is better."
    return "Uneven: delays will flutter. Use another interface or port, and take boxes out of the chain."


def trouble_of_clock(told: ClockHeard) -> str:
    """Return what to do about a clock that did not come in whole; nothing if it did."""
    if told.heard == 0:
        return (
            "No tick came in. See that one MIDI cable goes from that output to that input, and that nothing in "
            "between filters the clock."
        )
    if told.dropped:
        return (
            f"This machine was too busy to send {told.dropped} of {told.sent} ticks in time. Close other programs, see "
            "what tapebridge check says of real-time priority, and measure again."
        )
    if told.heard < told.sent:
        return f"{told.sent - told.heard} of {told.sent} ticks were lost. Use another cable, port or interface."
    return ""
