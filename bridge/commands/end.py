"""``tapebridge end``: the end of the set that runs."""

from __future__ import annotations

import click

from bridge.commands import example


@click.command("end")
@example("tapebridge end")
def command() -> None:
    """End the set that runs."""
    from bridge.edge import control

    control.end()
