"""The commands: `bridge/commands/NAME.py` holds ``tapebridge NAME`` as `command`, and is loaded when it is asked for.

What a command needs is imported inside it: `run` becomes the sender, which has to stay small, and ``--help`` loads
every command.
"""

from __future__ import annotations

from collections.abc import Callable
from inspect import cleandoc
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar

import click

_Command = TypeVar("_Command", bound=Callable[..., Any])

rig_argument = click.argument("rig", type=click.Path(path_type=Path))
"""The file of a rig."""


def example(text: str) -> Callable[[_Command], _Command]:
    """Add an example at the end of a command's help."""

    def add(command: _Command) -> _Command:
        command.__doc__ = f"{cleandoc(command.__doc__ or '')}\n\n\b\nExample:\n  {text}\n"
        return command

    return add


def finite(_: click.Context, option: click.Parameter, value: float | None) -> float | None:
    """Take no "nan", "inf" or 1e400 for an option."""
    if value is not None and not isfinite(value):
        raise click.BadParameter(f"{value} is no length of time.", param=option)
    return value
