"""``tapebridge check`` beyond the faults: what it warns of."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge import weights
from bridge.cli import main
from bridge.edge import devices, host_check

RIG = """
[[decks]]
name = "north"
channels = [1]
[[loopers]]
name = "loop box"
port = "Pedals A"
listens_to = "north"
[loopers.record]
messages = ["cc 80 127"]
kind = "toggle"
[loopers.play]
messages = ["cc 80 127"]
kind = "toggle"
[loopers.stop]
messages = ["cc 83 127"]
kind = "KIND"
"""


@pytest.mark.parametrize(("kind", "warned"), [("toggle", True), ("absolute", False)])
def test_a_looper_that_nothing_closes_in_every_case_is_warned_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, warned: bool
) -> None:
    monkeypatch.setattr(devices, "check_gear", lambda rig: None)
    monkeypatch.setattr(host_check, "warnings", list)
    (tmp_path / "rig.toml").write_text(RIG.replace("KIND", kind))
    result = CliRunner().invoke(main, ["check", str(tmp_path / "rig.toml")])
    assert result.exit_code == 0
    assert ('looper "loop box" has no absolute play or stop' in result.output) is warned


@pytest.mark.parametrize(("follower", "warned"), [("net", True), ("onsets", False), ("aubio", False)])
def test_a_net_that_cannot_be_read_is_warned_of_where_a_deck_goes_by_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, follower: str, warned: bool
) -> None:
    without = replace(weights.learned().onsets_alone(), lack="weights.npz: no net to follow by")
    monkeypatch.setattr(weights, "learned", lambda: without)
    monkeypatch.setattr(devices, "check_gear", lambda rig: None)
    monkeypatch.setattr(host_check, "warnings", list)
    (tmp_path / "rig.toml").write_text(f'[[decks]]\nname = "north"\nchannels = [1]\nfollower = "{follower}"\n')
    result = CliRunner().invoke(main, ["check", str(tmp_path / "rig.toml")])
    assert result.exit_code == 0
    assert ("Warning: weights.npz: no net to follow by." in result.output) == warned


@pytest.mark.parametrize(("pedal", "warned"), [("", True), ('pedal = "long echo"\n', False)])
def test_a_pedal_that_holds_for_loops_of_nobody_is_warned_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pedal: str, warned: bool
) -> None:
    monkeypatch.setattr(devices, "check_gear", lambda rig: None)
    monkeypatch.setattr(host_check, "warnings", list)
    echo = '[[pedals]]\nname = "long echo"\nport = "Pedals B"\nlistens_to = "north"\nhold_while = "loop"\n'
    looper = RIG.replace("KIND", "absolute").replace("[loopers.record]", f"{pedal}[loopers.record]")
    (tmp_path / "rig.toml").write_text(looper + echo)
    result = CliRunner().invoke(main, ["check", str(tmp_path / "rig.toml")])
    assert result.exit_code == 0
    assert ('Warning: pedal "long echo" is to hold' in result.output) == warned
