"""``tapebridge check``: all faults of a rig."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands import Number, example, rig_argument
from bridge.units import counted

if TYPE_CHECKING:
    from bridge.rig import Rig


@click.command("check")
@rig_argument
@click.option(
    "--show-input",
    is_flag=True,
    help="Show what arrives instead, until Ctrl-C: MIDI of the rig's switches (of all inputs, if it names none), keys "
    "and OSC, as lines to paste into the rig.",
)
@click.option(
    "--for",
    "for_s",
    type=Number(min=0, min_open=True),
    metavar="SECONDS",
    help="End --show-input after so long.",
)
@example("tapebridge check config/two-decks.toml")
def command(rig: Path, show_input: bool, for_s: float | None) -> None:
    """Name all faults of a rig at once: what is misspelt, impossible, or not plugged in.

    Warns of what of this machine may disturb a set, as far as it can be read: real-time priority, memory, battery,
    lid, USB power saving.
    """
    from bridge.rig_text import read_rig

    if for_s is not None and not show_input:
        raise click.UsageError("--for says how long --show-input lasts: give both.")
    read = read_rig(rig)
    if show_input:
        _show_input(read, for_s)
        return
    from bridge.edge import devices, host_check
    from bridge.send.loopers import never_closed
    from bridge.weights import learned

    for warning in host_check.warnings():
        click.echo(f"Warning: {warning}")
    if any(deck.follower == "net" for deck in read.decks) and (lack := learned().lack):
        click.echo(f"Warning: {lack}.")
    for looper in filter(never_closed, read.loopers):
        click.echo(
            f'Warning: looper "{looper.name}" has no absolute play or stop: a recording of it stays open if the set is '
            "cut off, and nothing is sent to it in doubt. Give it one, if its manual has one."
        )
    for pedal in read.pedals:
        if pedal.hold_while != "none" and not any(looper.pedal == pedal.name for looper in read.loopers):
            click.echo(
                f'Warning: pedal "{pedal.name}" is to hold its tempo while a loop is on, but no looper of the rig '
                "names it as its pedal, so none ever is."
            )
    devices.check_gear(read)
    click.echo(f"{rig}: nothing wrong. {counted(len(read.decks), 'deck')}, {counted(len(read.pedals), 'pedal')}.")


def _show_input(rig: Rig, for_s: float | None) -> None:
    from bridge.edge.show_input import show_input

    with suppress(KeyboardInterrupt), _ended_in_order():
        show_input(rig, click.echo, lambda text: click.echo(f"# {text}", err=True), for_s)


@contextmanager
def _ended_in_order() -> Iterator[None]:
    """Let other signals that end a process do it as Ctrl-C, so that the terminal is given back as it was."""
    numbers = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.getsignal(number) for number in numbers}
    for number in numbers:
        if before[number] != signal.SIG_IGN:  # as nohup has it
            signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
