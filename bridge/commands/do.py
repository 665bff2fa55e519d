"""``tapebridge do``: ask for anything in the set that runs, as a foot or a cue would."""

from __future__ import annotations

import click

from bridge.actions import VERBS, action_of
from bridge.commands import example


def _verbs() -> str:
    lines = (
        f"{': '.join([verb, *[', '.join(kind.upper() for kind in known.of)][: bool(known.of)]])}"
        for verb, known in VERBS.items()
    )
    pairs = zip(lines, (known.does for known in VERBS.values()), strict=True)
    return "\b\n" + "\n".join(f"{line:<28} {does}" for line, does in pairs)


@click.command("do", epilog=_verbs())
@click.argument("action", nargs=-1, required=True)
@example('tapebridge do "arm: loop box"')
def command(action: tuple[str, ...]) -> None:
    """Do something in the set that runs: what a switch, a cue or OSC can ask for.

    All quiet ends held notes and contacts and closes loopers; the clocks go on.
    """
    from bridge.edge import control

    try:
        asked = action_of(" ".join(action))
    except ValueError as error:
        raise click.UsageError(f"{error}.") from error
    control.ask(asked)
