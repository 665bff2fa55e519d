"""What `tapebridge review` says on the terminal beside the page's path."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge.cli import main
from bridge.journal.codec import schema_line
from tests.review.sample import ferry_night, journal_bytes


@pytest.mark.parametrize(
    ("journal", "warned"),
    [
        pytest.param(b"", True, id="emptied"),
        pytest.param(schema_line(), True, id="cut before its first fact"),
        pytest.param(b"rain in the paper\n", True, id="nothing readable"),
        pytest.param(journal_bytes(ferry_night()[:1]), False, id="one fact"),
    ],
)
def test_a_journal_that_holds_nothing_is_warned_of_with_what_to_do(
    tmp_path: Path, journal: bytes, warned: bool
) -> None:
    (tmp_path / "journal.jsonl").write_bytes(journal)
    done = CliRunner().invoke(main, ["review", str(tmp_path)])
    assert done.exit_code == 0
    assert done.output.endswith("review.html\n")
    assert (f"{tmp_path}: The journal holds nothing of the set" in done.stderr) == warned
    assert ("Put its copy back if you have one" in done.stderr) == warned
