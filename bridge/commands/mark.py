"""``tapebridge mark``: a mark in the take that runs."""

from __future__ import annotations

import click

from bridge.commands import example


@click.command("mark")
@click.argument("text", nargs=-1, required=True)
@example('tapebridge mark "the ferry answers"')
def command(text: tuple[str, ...]) -> None:
    """Place a mark in the take that runs."""
    from bridge.actions import Action
    from bridge.edge import control

    control.ask(Action("mark", (" ".join(text),)))
