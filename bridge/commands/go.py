"""``tapebridge go``: let a step that waits for the foot pass in the set that runs."""

from __future__ import annotations

import click

from bridge.commands import example


@click.command("go")
@click.argument("pedal")
@example('tapebridge go "long echo"')
def command(pedal: str) -> None:
    """Pass on the step that a pedal with step = "foot" waits with."""
    from bridge.actions import Action
    from bridge.edge import control

    control.ask(Action("go", (pedal,)))
