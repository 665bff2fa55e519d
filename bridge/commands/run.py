"""``tapebridge run``: a live set."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from bridge.commands import Number, example, rig_argument


@click.command("run")
@rig_argument
@click.option(
    "--for",
    "for_s",
    type=Number(min=0, min_open=True),
    metavar="SECONDS",
    help="End by itself.",
)
@example("tapebridge run config/two-decks.toml")
def command(rig: Path, for_s: float | None) -> None:
    """Play live: hear the decks, clock the pedals, write the take, and its review at the end.

    Ctrl-C, SIGTERM, `tapebridge end` or --for end it. Gear that is absent is named, and taken in when it comes.
    """
    from bridge.live import play_live

    played = play_live(rig, for_s=for_s)
    click.echo(f"Ended: {played.ended.why}. Review: {played.review}")
    if played.ended.failed:
        click.echo("The last facts of the take may be missing: it was not ended in order.", err=True)
        sys.exit(1)
