"""``tapebridge review``: what one reads after the set."""

from __future__ import annotations

from pathlib import Path

import click

from bridge.commands import example


@click.command("review")
@click.argument("take", type=click.Path(path_type=Path))
@example("tapebridge review recordings/20261125T190312Z-ferry-night")
def command(take: Path) -> None:
    """Write review.html and tempo.csv into a take's folder."""
    from bridge.review.page import write_review

    click.echo(write_review(take))
