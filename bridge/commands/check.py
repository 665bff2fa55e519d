"""``tapebridge check``: all faults of a rig."""

from __future__ import annotations

from pathlib import Path

import click

from bridge.commands import example, rig_argument
from bridge.units import counted


@click.command("check")
@rig_argument
@example("tapebridge check config/two-decks.toml")
def command(rig: Path) -> None:
    """Name all faults of a rig at once: what is misspelt, impossible, or not plugged in.

    Warns of what of this machine may disturb a set, as far as it can be read: real-time priority, memory, battery,
    lid, USB power saving.
    """
    from bridge.edge import devices, host_check
    from bridge.rig_text import read_rig

    read = read_rig(rig)
    for warning in host_check.warnings():
        click.echo(f"Warning: {warning}")
    devices.check_gear(read)
    click.echo(f"{rig}: nothing wrong. {counted(len(read.decks), 'deck')}, {counted(len(read.pedals), 'pedal')}.")
