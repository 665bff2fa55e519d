"""``tapebridge takes``: all nights in a list, and room for the next."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands import example
from bridge.units import clock_text, counted

if TYPE_CHECKING:
    from bridge.takes import Summary


@click.command("takes")
@click.argument("places", nargs=-1, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print it as JSON.")
@click.option("--thin", is_flag=True, help="Say which sound would be dropped: all but 5 minutes around every mark.")
@click.option("--delete", is_flag=True, help="With --thin: drop it. It cannot be brought back.")
@example("tapebridge takes recordings\n  tapebridge takes --thin recordings/20261125T190312Z-ferry-night --delete")
def command(places: tuple[Path, ...], as_json: bool, thin: bool, delete: bool) -> None:
    """List takes: length, decks, tempos, marks, size; or thin out their sound.

    PLACES are takes, or folders of takes; recordings/ when none is named. Thinning keeps the journal, what the decks
    sounded like (the features, made first where there are none), and the sound around every mark.
    """
    from bridge.takes import find_takes

    if delete and not thin:
        raise click.UsageError("--delete goes with --thin.")
    if delete and not places:
        raise click.UsageError("--delete wants the takes, or their folder, named.")
    folders = find_takes(places or (Path("recordings"),))
    if not folders and not as_json:
        click.echo("No takes there yet. A set makes one: tapebridge run RIG, or tapebridge rehearse")
    elif thin:
        _thin(folders, delete, as_json)
    else:
        _list(folders, as_json)


def _list(folders: list[Path], as_json: bool) -> None:
    from bridge.errors import TakeError
    from bridge.takes import summaries

    rows = []
    for found in summaries(folders):
        if isinstance(found, TakeError):
            click.echo(str(found), err=True)
            continue
        rows.append(found.as_record())
        if not as_json:
            click.echo(_line(found))
    if as_json:
        click.echo(json.dumps(rows, ensure_ascii=False, indent=1))
    elif len(rows) > 1:
        click.echo(f"{counted(len(rows), 'take')}, {_size(sum(row['size_bytes'] for row in rows))}")
    if len(rows) < len(folders):
        raise SystemExit(1)


def _line(found: Summary) -> str:
    tempos = "no beat" if found.tempos is None else f"{found.tempos[0]:.0f} to {found.tempos[1]:.0f} bpm"
    parts = [clock_text(found.length_s), " and ".join(found.decks) or "no deck", tempos, counted(found.marks, "mark")]
    parts.append(f"{_size(found.size_bytes)} ({_size(found.sound_bytes)} sound)")
    if found.state != "ended":
        parts.append("still runs" if found.state == "running" else "cut: its journal has no end")
    if found.faults:
        parts.append(counted(found.faults, "unreadable line"))
    return f"{found.folder}: {', '.join(parts)}"


def _thin(folders: list[Path], delete: bool, as_json: bool) -> None:
    from bridge.takes import plan_thinning, thin

    plans = [plan_thinning(folder) for folder in folders]
    for plan in plans:
        if delete and not plan.refused:
            thin(plan)
        if not as_json:
            what = "dropped" if delete else "would be dropped"
            click.echo(
                f"{plan.folder}: left alone: {plan.refused}"
                if plan.refused
                else f"{plan.folder}: {counted(len(plan.drop), 'file')} of sound {what} ({_size(plan.drop_bytes)}), "
                f"{len(plan.keep)} kept around marks"
            )
    if as_json:
        said = [
            {
                "folder": str(plan.folder),
                "drop": [path.name for path in plan.drop],
                "keep": [path.name for path in plan.keep],
                "drop_bytes": plan.drop_bytes,
                "features": list(plan.features),
                "refused": plan.refused,
                "deleted": delete and not plan.refused,
            }
            for plan in plans
        ]
        click.echo(json.dumps(said, ensure_ascii=False, indent=1))
    elif not delete and any(plan.drop for plan in plans):
        click.echo(
            f"Nothing was deleted. {_size(sum(plan.drop_bytes for plan in plans))} would become free: "
            "say it again with the takes named and --delete"
        )


def _size(count: int) -> str:
    return f"{count / 1e9:.2f} GB" if count >= 1e8 else f"{count / 1e6:.1f} MB"
