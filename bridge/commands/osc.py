"""``tapebridge osc``: the table of all OSC addresses."""

from __future__ import annotations

import click

from bridge.commands import example


@click.command("osc")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@click.option("--markdown", "as_markdown", is_flag=True, help="As a page in Markdown.")
@example("tapebridge osc --markdown > osc.md")
def command(as_json: bool, as_markdown: bool) -> None:
    """Print every OSC address that goes out and comes in, with types, units and ranges.

    NAME stands for a name of the rig; what OSC forbids in an address (a space, # * , / ? [ ] { } and all but printable
    ASCII) becomes a hyphen there. Types are OSC's own: i whole number, f number, s text.
    """
    import json
    from dataclasses import asdict

    from bridge.osc_table import SWITCH_NOTE, TABLE, VERSION

    if as_json and as_markdown:
        raise click.UsageError("--json and --markdown are two forms: give one of them.")
    if as_json:
        page = {"version": VERSION, "addresses": [asdict(row) for row in TABLE], "note": SWITCH_NOTE}
        click.echo(json.dumps(page, indent=2, ensure_ascii=False))
        return
    ways = {"out": "Goes out", "in": "Comes in"}
    for way, title in ways.items():
        rows = [(row.address, row.types, row.unit, row.range, row.meaning) for row in TABLE if row.way == way]
        click.echo(_as_markdown(title, rows) if as_markdown else _as_text(title, rows))
    click.echo(SWITCH_NOTE)


HEADINGS = ("address", "types", "arguments", "range", "meaning")


def _as_markdown(title: str, rows: list[tuple[str, str, str, str, str]]) -> str:
    lines = [HEADINGS, ["---"] * len(HEADINGS), *([f"`{row[0]}`", *row[1:]] for row in rows)]
    table = "\n".join(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in line)} |" for line in lines)
    return f"## {title}\n\n{table}\n"


def _as_text(title: str, rows: list[tuple[str, str, str, str, str]]) -> str:
    """Return each address with its arguments, and below it what it means: no line grows out of a terminal."""
    lines = [f"  {address}  {types}: {unit} ({span})\n      {meaning}" for address, types, unit, span, meaning in rows]
    return "\n".join([title, *lines, ""])
