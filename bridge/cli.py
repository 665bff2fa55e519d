"""The command line. Each command exits 0 when it did its job, 2 on wrong use, 1 on failure with what to do."""

from __future__ import annotations

import errno
import io
import json
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar

import click

from bridge import __version__
from bridge.errors import BridgeError
from bridge.units import counted

# What a command needs is imported inside it: `run` becomes the sender, which has to stay small.

_Command = TypeVar("_Command", bound=Callable[..., Any])


class _Group(click.Group):
    """A group whose refusals end in one line and status 1."""

    def invoke(self, context: click.Context) -> Any:
        try:
            return super().invoke(context)
        except BridgeError as refusal:
            click.echo(str(refusal), err=True)
            sys.exit(1)
        except OSError as error:
            if error.errno != errno.ENOSPC:
                raise
            with suppress(OSError):
                click.echo(
                    f"Not all could be printed: {error.strerror}. Make room there, or print elsewhere.", err=True
                )
            _discard_the_rest()
            sys.exit(1)


def _example(text: str) -> Callable[[_Command], _Command]:
    """Add an example at the end of a command's help."""

    def add(command: _Command) -> _Command:
        command.__doc__ = f"{command.__doc__}\n\n\b\nExample:\n  {text}\n"
        return command

    return add


def _finite(_: click.Context, option: click.Parameter, value: float | None) -> float | None:
    """Take no "nan", "inf" or 1e400 for an option."""
    if value is not None and not isfinite(value):
        raise click.BadParameter(f"{value} is no length of time.", param=option)
    return value


def _open_what_is_closed() -> None:
    """Put nothing in the place of a standard stream that is closed (``>&-``), so that no socket or file takes it."""
    while (descriptor := os.open(os.devnull, os.O_RDWR)) <= 2:
        os.set_inheritable(descriptor, True)
    os.close(descriptor)


def _discard_the_rest() -> None:
    """Let what is still to be printed go nowhere: Python would try it again at its exit, and fail with 120."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for descriptor in (1, 2):
        os.dup2(nowhere, descriptor)
    os.close(nowhere)


_rig = click.argument("rig", type=click.Path(path_type=Path))


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="tapebridge")
def main() -> None:
    """Keep delays on the beat of wandering tapes, watch the decks, and write down the set."""
    _open_what_is_closed()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="backslashreplace")  # a letter that the terminal lacks is no failure


@main.command()
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Another night for each number.")
@click.option(
    "--fast", is_flag=True, help="As fast as the machine can, under injected time, without the sender process."
)
@click.option(
    "--folder", type=click.Path(path_type=Path), default="recordings", show_default=True, help="Where the take lands."
)
@_example("tapebridge rehearse --fast --seed 7")
def rehearse(seed: int, fast: bool, folder: Path) -> None:
    """Play the built-in set of about two minutes, without any hardware, and tell how it went.

    Exits with 1 where a result falls short of what is wanted.
    """
    from bridge.rehearse import rehearse_fast, rehearse_live

    click.echo(f"Making the tapes of night {seed} ...", err=True)
    if fast:
        with click.progressbar(length=100, label="Playing them", file=sys.stderr) as bar:
            rehearsed = rehearse_fast(seed, folder, progress=lambda share: bar.update(int(100 * share) - bar.pos))
    else:
        rehearsed = rehearse_live(seed, folder)
    click.echo(f"Night {seed}, {rehearsed.how}:")
    click.echo("\n".join(rehearsed.score.lines()))
    if not rehearsed.score.passed:
        sys.exit(1)


@main.command()
@_rig
@click.option(
    "--for",
    "for_s",
    type=click.FloatRange(min=0, min_open=True),
    callback=_finite,
    metavar="SECONDS",
    help="End by itself.",
)
@_example("tapebridge run config/two-decks.toml")
def run(rig: Path, for_s: float | None) -> None:
    """Play live: hear the decks, clock the pedals, write the take, and its review at the end.

    Ctrl-C, SIGTERM, `tapebridge end` or --for end it. Gear that is absent is named, and taken in when it comes.
    """
    from bridge.live import play_live

    played = play_live(rig, for_s=for_s)
    click.echo(f"Ended: {played.ended.why}. Review: {played.review}")
    if played.ended.failed:
        click.echo("The last facts of the take may be missing: it was not ended in order.", err=True)
        sys.exit(1)


@main.command()
@_example("tapebridge end")
def end() -> None:
    """End the set that runs."""
    from bridge.edge import control

    control.end()


@main.command()
@click.argument("text", nargs=-1, required=True)
@_example('tapebridge mark "the ferry answers"')
def mark(text: tuple[str, ...]) -> None:
    """Place a mark in the take that runs."""
    from bridge.edge import control

    control.mark(" ".join(text))


@main.command()
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@_example("tapebridge ports")
def ports(as_json: bool) -> None:
    """List sound devices, their channels, and MIDI outputs, by the names that a rig uses."""
    from bridge.edge import devices

    gear = devices.list_gear()
    click.echo(json.dumps(gear.as_dict(), indent=2, ensure_ascii=False) if as_json else gear.as_text())


@main.command()
@_rig
@_example("tapebridge check config/two-decks.toml")
def check(rig: Path) -> None:
    """Name all faults of a rig at once: what is misspelt, impossible, or not plugged in."""
    from bridge.edge import devices
    from bridge.rig_text import read_rig

    read = read_rig(rig)
    devices.check_gear(read)
    click.echo(f"{rig}: nothing wrong. {counted(len(read.decks), 'deck')}, {counted(len(read.pedals), 'pedal')}.")


@main.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--beats",
    type=click.Path(path_type=Path),
    metavar="OUT.tsv",
    help="Write beat time and the time at which it was known, in seconds, tab-separated.",
)
@click.option("--tempo-hint", type=click.FloatRange(20, 400), metavar="BPM", help="About what tempo to expect.")
@click.option("--json", "as_json", is_flag=True, help="Print what happened as JSON.")
@_example("tapebridge follow recordings/clips/gravel-path.flac --beats beats.tsv")
def follow(file: Path, beats: Path | None, tempo_hint: float | None, as_json: bool) -> None:
    """Follow the beat of one sound file with the engine that plays live."""
    from bridge.replay import follow_file

    heard = follow_file(file, tempo_hint=tempo_hint)
    if beats is not None:
        heard.write_beats(beats)
    click.echo(heard.as_json() if as_json else heard.as_text())


@main.command()
@click.argument("take", type=click.Path(path_type=Path))
@_example("tapebridge review recordings/20261125T190312Z-ferry-night")
def review(take: Path) -> None:
    """Write review.html and tempo.csv into a take's folder."""
    from bridge.review.page import write_review

    click.echo(write_review(take))
