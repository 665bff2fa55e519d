"""``tapebridge keep``: hold the tempo of a deck's pedals in the set that runs."""

from __future__ import annotations

import click

from bridge.commands import example


@click.command("keep")
@click.argument("deck")
@example("tapebridge keep north")
def command(deck: str) -> None:
    """Hold the tempo of a deck's pedals whatever is heard, until it is let go (let-go)."""
    from bridge.actions import Action
    from bridge.edge import control

    control.ask(Action("keep", (deck,)))
