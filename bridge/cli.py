"""The command line. Each command exits 0 when it did its job, 2 on wrong use, 1 on failure with what to do."""

from __future__ import annotations

import errno
import importlib
import io
import os
import pkgutil
import sys
from contextlib import suppress
from typing import Any

import click

from bridge import __version__, commands
from bridge.errors import BridgeError


class _Group(click.Group):
    """The modules of `bridge.commands`, whose refusals end in one line and status 1."""

    def list_commands(self, context: click.Context) -> list[str]:
        """Return the names of all commands."""
        return sorted(module.name.replace("_", "-") for module in pkgutil.iter_modules(commands.__path__))

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        """Return a command, loading its module; None if there is none of that name."""
        if name not in self.list_commands(context):
            return None
        command = importlib.import_module(f"bridge.commands.{name.replace('-', '_')}").command
        assert isinstance(command, click.Command)
        return command

    def invoke(self, context: click.Context) -> Any:
        """Run a command; tell a refusal in one line."""
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


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="tapebridge")
def main() -> None:
    """Keep delays on the beat of wandering tapes, watch the decks, and write down the set."""
    _open_what_is_closed()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="backslashreplace")  # a letter that the terminal lacks is no failure
