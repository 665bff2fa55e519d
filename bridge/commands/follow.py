"""``tapebridge follow``: one sound file, or a take, through the engine."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import click

from bridge.commands import Number, example
from bridge.rig import FollowerKind


@click.command("follow")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--beats",
    type=click.Path(path_type=Path),
    metavar="OUT.tsv",
    help="Write beat time and the time at which it was known, in seconds, and of a take the deck, tab-separated.",
)
@click.option("--tempo-hint", type=Number(20, 400), metavar="BPM", help="About what tempo to expect.")
@click.option(
    "--follower",
    type=click.Choice(get_args(FollowerKind)),
    help="What finds the beat: the learned net (a file's default), plain onsets, or aubio's own tempo tracker, to "
    "compare with. A take is heard as its rig says.",
)
@click.option("--json", "as_json", is_flag=True, help="Print what happened as JSON.")
@example(
    "tapebridge follow recordings/clips/gravel-path.flac --beats beats.tsv\n"
    "  tapebridge follow recordings/20261125T190312Z-ferry-night"
)
def command(
    file: Path,
    beats: Path | None,
    tempo_hint: float | None,
    follower: FollowerKind | None,
    as_json: bool,
) -> None:
    """Follow the beat of one sound file with the engine that plays live.

    FILE may be a take's folder: its kept sound, dry taps included, is heard again as it was by its rig.
    """
    from bridge.replay import follow_file, follow_take

    if not file.is_dir():
        heard = follow_file(file, tempo_hint=tempo_hint, follower=follower or "net")
    elif tempo_hint is not None:
        raise click.UsageError("--tempo-hint goes with a sound file; a take has what was told of its tempi.")
    else:
        heard = follow_take(file, follower=follower)
    if beats is not None:
        heard.write_beats(beats)
    click.echo(heard.as_json() if as_json else heard.as_text())
