"""``tapebridge rehearse``: the built-in set, without hardware."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from bridge.commands import Whole, example


@click.command("rehearse")
@click.option("--seed", type=Whole(0), default=1, show_default=True, help="Another night for each number.")
@click.option(
    "--fast", is_flag=True, help="As fast as the machine can, under injected time, without the sender process."
)
@click.option(
    "--folder", type=click.Path(path_type=Path), default="recordings", show_default=True, help="Where the take lands."
)
@example("tapebridge rehearse --fast --seed 7")
def command(seed: int, fast: bool, folder: Path) -> None:
    """Play the built-in set of about two minutes, without any hardware, and tell how it went.

    Exits with 1 where a result falls short of what is wanted.
    """
    from bridge.rehearse import rehearse_fast, rehearse_live

    click.echo(f"Making the tapes of night {seed} ...", err=True)
    if fast:
        with click.progressbar(length=100, label="Playing them", file=sys.stderr) as bar:
            rehearsed = rehearse_fast(seed, folder, progress=lambda share: bar.update(int(100 * share) - bar.pos))
    else:
        rehearsed = rehearse_live(seed, folder)
    click.echo(f"Night {seed}, {rehearsed.how}:")
    click.echo("\n".join(rehearsed.score.lines()))
    if not rehearsed.score.passed:
        sys.exit(1)
