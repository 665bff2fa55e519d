"""The commands: `bridge/commands/NAME.py` holds ``tapebridge NAME`` as `command`, and is loaded when it is asked for.

What a command needs is imported inside it: `run` becomes the sender, which has to stay small, and ``--help`` loads
every command.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
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


class Number(click.FloatRange):
    """A number within limits, of which the lower one is given; "nan" and 1e400 are none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number; refuse it with what was found and what to write."""
        with suppress(click.BadParameter):
            if isfinite(number := super().convert(value, param, ctx)):
                return number
        return self.fail(_not_within(self, "number", value, param), param, ctx)


class Whole(click.IntRange):
    """A whole number within limits, of which the lower one is given."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number; refuse it with what was found and what to write."""
        with suppress(click.BadParameter):
            return super().convert(value, param, ctx)
        return self.fail(_not_within(self, "whole number", value, param), param, ctx)


def _not_within(limits: Number | Whole, kind: str, value: Any, param: click.Parameter | None) -> str:
    low, high = limits.min or 0, limits.max
    wanted = (
        f"of {low:g} to {high:g}" if high is not None else f"above {low:g}" if limits.min_open else f"from {low:g} on"
    )
    name = getattr(param, "metavar", None) or "it"
    return f"{str(value)!r} was found there. Write {name} as a {kind} {wanted}."
