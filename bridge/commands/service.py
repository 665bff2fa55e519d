"""``tapebridge service``: a set as a service of the system."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from bridge.commands import example, rig_argument


@click.command("service")
@rig_argument
@click.option("--print", "printed", is_flag=True, help="Print it. Nothing is installed; the text says how to.")
@click.option(
    "--for",
    "system",
    type=click.Choice(["systemd", "launchd"]),
    default="launchd" if sys.platform == "darwin" else "systemd",
    show_default=True,
    help="What starts services.",
)
@example("tapebridge service --print config/two-decks.toml > ~/.config/systemd/user/tapebridge.service")
def command(rig: Path, printed: bool, system: str) -> None:
    """Print a service that plays a rig from login on, without a terminal.

    Gear that is absent is taken in when it comes; takes land beside the rig.
    """
    from bridge import service
    from bridge.rig_text import read_rig

    if not printed:
        raise click.UsageError("Say --print: this only prints a service, and installs nothing.")
    read_rig(rig)
    beside = Path(sys.executable).with_name("tapebridge")
    program = [str(beside)] if beside.exists() else [sys.executable, "-m", "bridge"]
    text = (
        service.systemd_unit(rig, program) if system == "systemd" else service.launchd_agent(rig, program, Path.home())
    )
    click.echo(text, nl=False)
