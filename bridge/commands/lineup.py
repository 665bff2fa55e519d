"""``tapebridge lineup``: the walk through decks and pedals before a set."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from bridge.commands import example, rig_argument


@click.command("lineup")
@rig_argument
@click.option("--yes", is_flag=True, help="Ask nothing: listen to what plays, and tell each pedal in turn.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON, and nothing else.")
@example("tapebridge lineup my-rig.toml")
def command(rig: Path, yes: bool, as_json: bool) -> None:
    """Walk through decks and pedals by ear and meter before a set, one thing at a time.

    Each deck: level, clipping, hum at 50 or 60 Hz, swapped inputs, its dry tap, bleed from deck to deck. Each pedal: it
    is told a delay time, you listen, and where its return is heard the echo is measured. Enter goes on, n leaves a
    thing out, Ctrl-C ends the walk. Without a terminal nothing is asked.

    It ends with a page of what is well and what is not, kept under lineups/ beside the takes; a set of the same name
    that begins within 12 hours takes it along. Exits with 0 when the walk was walked, whatever it found.
    """
    from bridge.lineup.live import line_up

    page = line_up(rig, asks=not (yes or as_json) and sys.stdin.isatty(), as_json=as_json)
    if page is None:
        sys.exit(1)
