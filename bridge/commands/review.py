"""``tapebridge review``: what one reads after the set, and what one makes of it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from bridge.commands import Number, Whole, example

_TIME = re.compile(r"(-)?(?:(?:(\d+):)?(\d+):)?(\d+(?:\.\d+)?)")


class _Time(click.ParamType):  # type: ignore[type-arg]  # generic in newer clicks alone
    """A time as seconds, m:ss or h:mm:ss."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return seconds."""
        found = _TIME.fullmatch(value) if isinstance(value, str) else None
        if found is None or len(value) > 20:
            self.fail(f"{value!r} is no time. Write seconds, m:ss or h:mm:ss.", param, ctx)
        sign, hours, minutes, seconds = found.groups()
        whole = 3600.0 * int(hours or 0) + 60.0 * int(minutes or 0) + float(seconds)
        return -whole if sign else whole


@click.command("review")
@click.argument("takes", nargs=-1, required=True, metavar="TAKE...", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print what was found or written as JSON.")
@click.option("--wav", is_flag=True, help="Also write the kept sound as WAV, with cue points at marks and chapters.")
@click.option("--align", type=click.Path(path_type=Path), metavar="FILE", help="Place the stream's own recording.")
@click.option("--offset", type=_Time(), metavar="TIME", help="With --align: when it began, as a time of the take.")
@click.option("--mark", metavar="MARK", help="With --align: a mark, or a time of the take, that is heard at --at.")
@click.option("--at", type=_Time(), metavar="TIME", help="With --mark: when it is heard in FILE.")
@click.option("--cut", metavar="MARK", help="Cut a loop: a mark's number, part of its text, or a time of the take.")
@click.option("--bars", type=Whole(1, 128), default=4, show_default=True, help="With --cut: its length.")
@click.option("--beats-a-bar", type=Whole(1, 16), default=4, show_default=True, help="With --cut.")
@click.option("--shift", type=Whole(-512, 512), default=0, help="With --cut: begin so many beats later.")
@click.option("--deck", metavar="NAME", help="With --cut, where both decks had a beat.")
@click.option("--steady", is_flag=True, help="With --cut: take the tape's drift out, by plain speed.")
@click.option("--tempo", type=Number(20, 400), metavar="BPM", help="With --cut: play at this tempo.")
@click.option(
    "--speed",
    type=click.Choice(["half", "normal", "double"]),
    default="normal",
    help="With --cut: the speed at which the deck will play it; it is recorded at normal speed.",
)
@click.option("--compare", metavar="DECK", help="Lay the drift of a deck over several takes.")
@click.option("--near", type=Number(20, 400), metavar="BPM", help="With --compare: one tape, by its tempo.")
@example(
    "tapebridge review recordings/20261125T190312Z-ferry-night\n"
    "  tapebridge review TAKE --align stream.flac\n"
    '  tapebridge review TAKE --cut "the ferry answers" --bars 4 --tempo 60 --speed half\n'
    "  tapebridge review recordings/*ferry* --compare north"
)
@click.pass_context
def command(context: click.Context, /, takes: tuple[Path, ...], **asked: Any) -> None:
    """Write review.html, chapters, tempo.csv and tempo.mid into a take's folder; or align, cut or compare."""
    work = _asked_for(context, asked)
    if len(takes) > 1 and work is not _compare:
        raise click.UsageError("Name one take; only --compare takes several.")
    said, record = work(takes, asked)
    click.echo(json.dumps(record, ensure_ascii=False, indent=1) if asked["as_json"] else said)


_Work = Callable[[tuple[Path, ...], dict[str, Any]], tuple[str, dict[str, Any]]]


def _asked_for(context: click.Context, asked: dict[str, Any]) -> _Work:
    """Return what is to be done; refuse options that go with something else."""
    mine = {
        "align": ("offset", "mark", "at"),
        "cut": ("bars", "beats_a_bar", "shift", "deck", "steady", "tempo", "speed"),
        "compare": ("near",),
    }
    named = [name for name in mine if asked[name] is not None]
    if asked["wav"] and named:
        raise click.UsageError(f"--wav goes with the review itself, without --{named[0]}.")
    if len(named) > 1:
        raise click.UsageError(f"Ask for one of these at once: {', '.join(f'--{name}' for name in named)}")
    given = click.core.ParameterSource.COMMANDLINE
    for name, options in mine.items():
        odd = [o for o in options if context.get_parameter_source(o) is given]
        if odd and name not in named:
            raise click.UsageError(f"--{odd[0].replace('_', '-')} goes with --{name}.")
    if (asked["mark"] is None) != (asked["at"] is None) or (asked["mark"] is not None and asked["offset"] is not None):
        raise click.UsageError("--mark goes with --at, and without --offset.")
    return {"align": _align, "cut": _cut, "compare": _compare}[named[0]] if named else _review


def _review(takes: tuple[Path, ...], asked: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    from bridge.review.page import PAGE, review_take, write_all, write_cued_wavs
    from bridge.review.record import record_of
    from bridge.review.troubles import NOTHING

    review = review_take(takes[0])
    for trouble in review.found:
        if trouble.what == NOTHING:
            click.echo(f"{review.take.folder}: {trouble.what} {trouble.remedy}", err=True)
    landed = write_all(review)
    lines = [str(landed.pop(PAGE))]
    lines += [
        f"{name} was changed by hand, or is not ours: it stays as it is, and the new one is {path.name}"
        for name, path in landed.items()
        if path.name != name
    ]
    wavs = write_cued_wavs(review) if asked["wav"] else ()
    files = [str(path) for path in (*landed.values(), *wavs)]
    return "\n".join([*lines, *map(str, wavs)]), {"page": lines[0], "files": files, **record_of(review)}


def _align(takes: tuple[Path, ...], asked: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    from bridge.review.aligned import align_take

    found = align_take(
        takes[0], asked["align"], offset_s=asked["offset"], mark=asked["mark"], mark_at_s=asked["at"] or 0.0
    )
    return found.as_text(), found.as_record()


def _cut(takes: tuple[Path, ...], asked: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    from bridge.review.cut import Wish, write_cut

    keys = ("bars", "beats_a_bar", "shift", "deck", "steady", "tempo", "speed")
    path, cut = write_cut(takes[0], Wish(mark=asked["cut"], **{key: asked[key] for key in keys}))
    record = {"file": str(path), "tempo": cut.tempo, "beats": cut.beats, "length_s": len(cut.sound) / cut.rate}
    text = path.with_suffix(".txt").read_text(encoding="utf-8", errors="replace")
    return f"{path}\n{text}", record | {"deck": cut.deck, "pitch_cents": cut.pitch_cents, "begin_s": cut.begin_s}


def _compare(takes: tuple[Path, ...], asked: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    from bridge.review.compare import write_compare

    page = write_compare(takes, asked["compare"], asked["near"])
    return str(page), {"page": str(page)}
