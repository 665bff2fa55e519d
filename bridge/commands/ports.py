"""``tapebridge ports``: what is plugged in."""

from __future__ import annotations

import json

import click

from bridge.commands import example


@click.command("ports")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@click.option(
    "--blink",
    metavar="NAME",
    help="Let the lights of the MIDI outputs so called flicker for 5 s each, in turn, to tell identical ones apart. "
    "What is sent (F0 7D 00... F7, System Exclusive for nobody) plays and clocks nothing.",
)
@example('tapebridge ports --blink "Pedals A"')
def command(as_json: bool, blink: str | None) -> None:
    """List sound devices, their channels, MIDI outputs and MIDI inputs, by the names that a rig uses.

    A MIDI port may also be named by its path or serial number, where the system tells them.
    """
    if blink is not None:
        from bridge.edge import blink as light

        light.blink(blink, click.echo)
        return
    from bridge.edge import devices

    gear = devices.list_gear()
    click.echo(json.dumps(gear.as_dict(), indent=2, ensure_ascii=False) if as_json else gear.as_text())
