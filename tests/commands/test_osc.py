"""The table of OSC addresses as it is printed."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner, Result

from bridge.cli import main
from bridge.osc_table import SWITCH_NOTE, TABLE, VERSION


def call(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["osc", *arguments])


@pytest.mark.parametrize("form", [(), ("--markdown",), ("--json",)])
def test_every_address_is_printed_with_all_that_the_table_says(form: tuple[str, ...]) -> None:
    done = call(*form)
    assert done.exit_code == 0
    for row in TABLE:
        for words in (row.address, row.types, row.unit, row.range, row.meaning):
            assert json.dumps(words, ensure_ascii=False)[1:-1] in done.output or words in done.output
    assert SWITCH_NOTE in json.loads(done.output)["note"] if form == ("--json",) else SWITCH_NOTE in done.output


def test_json_has_one_row_an_address_and_the_version() -> None:
    page = json.loads(call("--json").output)
    assert page["version"] == VERSION
    assert [row["address"] for row in page["addresses"]] == [row.address for row in TABLE]
    assert {row["way"] for row in page["addresses"]} == {"in", "out"}


def test_every_line_of_the_page_has_as_many_cells_as_the_heading() -> None:
    rows = [line for line in call("--markdown").output.splitlines() if line.startswith("|")]
    assert len(rows) == len(TABLE) + 4  # two tables with a heading and a rule each
    assert {line.replace("\\|", "").count("|") for line in rows} == {6}


def test_two_forms_at_once_are_refused() -> None:
    done = call("--json", "--markdown")
    assert done.exit_code == 2
    assert "--json and --markdown are two forms" in done.output
