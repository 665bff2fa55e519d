"""A take's beats as a table for other programs."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from bridge.events import BeatPlaced, Fact


def tempo_csv(facts: Iterable[Fact], began: float) -> bytes:
    """Return every beat of a take as comma-separated values: a header, then one row a beat in order of time.

    Columns: ``time_s`` since the take began, ``deck``, ``beat`` (its number on that deck), ``tempo_bpm``,
    ``confidence`` from 0 to 1. UTF-8, rows end in CR LF. Source: RFC 4180.

    Args:
        facts: Facts of a take, in any order; all but beats are passed over.
        began: Host time at which the take began.
    """
    beats = sorted((fact for fact in facts if isinstance(fact, BeatPlaced)), key=lambda beat: beat.at)
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(["time_s", "deck", "beat", "tempo_bpm", "confidence"])
    for beat in beats:
        numbers = [f"{beat.at - began:.6f}", beat.deck, beat.index, f"{beat.tempo:.3f}", f"{beat.confidence:.3f}"]
        table.writerow(numbers)
    return text.getvalue().encode(errors="replace")
