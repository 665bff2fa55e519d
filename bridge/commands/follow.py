"""``tapebridge follow``: one sound file through the engine."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import click

from bridge.commands import example
from bridge.rig import FollowerKind


@click.command("follow")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--beats",
    type=click.Path(path_type=Path),
    metavar="OUT.tsv",
    help="Write beat time and the time at which it was known, in seconds, tab-separated.",
)
@click.option("--tempo-hint", type=click.FloatRange(20, 400), metavar="BPM", help="About what tempo to expect.")
@click.option(
    "--follower",
    type=click.Choice(get_args(FollowerKind)),
    default="net",
    show_default=True,
    help="What finds the beat: the learned net, plain onsets, or aubio's own tempo tracker, to compare with.",
)
@click.option("--json", "as_json", is_flag=True, help="Print what happened as JSON.")
@example("tapebridge follow recordings/clips/gravel-path.flac --beats beats.tsv")
def command(file: Path, beats: Path | None, tempo_hint: float | None, follower: FollowerKind, as_json: bool) -> None:
    """Follow the beat of one sound file with the engine that plays live."""
    from bridge.replay import follow_file

    heard = follow_file(file, tempo_hint=tempo_hint, follower=follower)
    if beats is not None:
        heard.write_beats(beats)
    click.echo(heard.as_json() if as_json else heard.as_text())
