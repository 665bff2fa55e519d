"""``tapebridge ports``: what is plugged in."""

from __future__ import annotations

import json

import click

from bridge.commands import example


@click.command("ports")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@example("tapebridge ports")
def command(as_json: bool) -> None:
    """List sound devices, their channels, and MIDI outputs, by the names that a rig uses."""
    from bridge.edge import devices

    gear = devices.list_gear()
    click.echo(json.dumps(gear.as_dict(), indent=2, ensure_ascii=False) if as_json else gear.as_text())
