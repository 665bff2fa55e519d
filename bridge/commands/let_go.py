"""``tapebridge let-go``: let a deck's pedals follow again in the set that runs."""

from __future__ import annotations

import click

from bridge.commands import example


@click.command("let-go")
@click.argument("deck")
@example("tapebridge let-go north")
def command(deck: str) -> None:
    """Let a deck's pedals follow again what is heard."""
    from bridge.actions import Action
    from bridge.edge import control

    control.ask(Action("let go", (deck,)))
