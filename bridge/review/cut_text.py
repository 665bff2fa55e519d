"""What goes with a cut for tape: its tempo and length, and what to expect of it at each speed."""

from __future__ import annotations

from bridge.review.words import clean
from bridge.units import cents, counted


def cut_text(
    *,
    name: str,
    take: str,
    moment: str,
    begin: str,
    deck: str,
    bars: int,
    beats: int,
    tempo: float,
    length_s: float,
    tempos: tuple[float, float],
    pitch_cents: float,
    warped: bool,
    speed: str,
) -> str:
    """Return the text; every value is that of the cut (`bridge.review.cut.Cut`)."""
    low, high = tempos
    wander = f"{low:.2f} to {high:.2f} bpm, which is {counted(round(cents(high / low)), 'cent')}"
    lines = [
        clean(name),
        "",
        f"From {clean(take)}, {clean(' '.join(moment.split()))}, {begin}. Deck {clean(deck)}.",
        f"{counted(bars, 'bar')}, {counted(beats, 'beat')}, {length_s:.3f} s, {tempo:.2f} bpm.",
        f"On the night it went at {wander}.",
    ]
    if warped:
        way = "higher" if pitch_cents > 0 else "lower"
        moved = counted(round(abs(pitch_cents)), "cent")
        lines.append(f"Here it is steady. It sounds {moved} {way} than on the night (plain speed).")
    else:
        lines.append("It is as it was: its drift is in it.")
    lines += ["", "Recorded on tape at normal speed, it plays:"]
    for played, factor, heard in (
        ("half", 0.5, "an octave lower and duller, its top at half of the tape's"),
        ("normal", 1.0, "as this file sounds"),
        ("double", 2.0, "an octave higher"),
    ):
        here = "   <- made for this" if warped and played == speed else ""
        lines.append(f"  {played:>6} speed: {tempo * factor:7.2f} bpm, {length_s / factor:7.3f} s, {heard}{here}")
    lines += [
        "",
        "It loops without a gap: both ends lie 5 ms before the beat, on a zero crossing, and fade over 3 ms.",
        "A deck that runs 1 % fast plays it 1 % faster and 17 cents higher.",
    ]
    return "\n".join(lines) + "\n"
