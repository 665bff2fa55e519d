"""``tapebridge hands``: give a pedal back to its knobs in the set that runs, and take it again."""

from __future__ import annotations

import click

from bridge.commands import example


@click.group("hands")
@example('tapebridge hands off "long echo"')
def command() -> None:
    """Give a pedal back to its knobs, or take it again."""


@command.command("off")
@click.argument("pedal")
@example('tapebridge hands off "long echo"')
def off(pedal: str) -> None:
    """End a pedal's clock, without a Stop, so that its knobs count; pedals on the same port lose theirs too."""
    from bridge.actions import Action
    from bridge.edge import control

    control.ask(Action("hands off", (pedal,)))


@command.command("on")
@click.argument("pedal")
@example('tapebridge hands on "long echo"')
def on(pedal: str) -> None:
    """Tell a pedal its tempo again."""
    from bridge.actions import Action
    from bridge.edge import control

    control.ask(Action("hands on", (pedal,)))
