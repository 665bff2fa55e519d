"""A set as a service: what is printed is what systemd and launchd take, and such a set needs no terminal."""

from __future__ import annotations

import os
import plistlib
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge.cli import main
from bridge.service import launchd_agent, systemd_unit

RIG = '[[decks]]\nname = "north"\nchannels = [1]\n\n[take]\nname = "ferry night"\n'


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    """A rig under a name that needs care."""
    path = tmp_path / "two decks 50%.toml"
    path.write_text(RIG)
    return path


def values(unit: str) -> dict[str, str]:
    """Return the settings of a unit."""
    lines = [line for line in unit.splitlines() if "=" in line and not line.startswith("#")]
    return dict(line.split("=", 1) for line in lines)


def test_the_unit_starts_the_rig_by_its_full_path_and_needs_no_terminal(rig):
    unit = values(systemd_unit(rig, ["/opt/tape bridge/tapebridge"]))
    assert shlex.split(unit["ExecStart"].replace("%%", "%")) == ["/opt/tape bridge/tapebridge", "run", str(rig)]
    assert unit["WorkingDirectory"] == str(rig.parent).replace("%", "%%")
    assert (unit["StandardInput"], unit["Restart"], unit["KillMode"]) == ("null", "on-failure", "mixed")


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is absent (Debian: systemd)")
def test_systemd_finds_nothing_wrong_with_the_unit(rig, tmp_path):
    unit = systemd_unit(rig, [sys.executable, "-m", "bridge"])
    (tmp_path / "tapebridge.service").write_text(unit)
    (tmp_path / "broken.service").write_text(unit.replace("Type=exec", "Type=execute"))
    assert [line for line in verified(tmp_path / "tapebridge.service") if "tapebridge" in line] == []
    said = verified(tmp_path / "broken.service")
    assert any("broken.service" in line for line in said), f"systemd-analyze does not work here: {said}"


def verified(unit: Path) -> list[str]:
    """Return what systemd says of a unit."""
    runtime = unit.parent / "runtime"
    runtime.mkdir(mode=0o700, exist_ok=True)
    command = ["systemd-analyze", "verify", "--user", str(unit)]
    env = os.environ | {"XDG_RUNTIME_DIR": str(runtime)}
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, env=env)
    return (done.stdout + done.stderr).splitlines()


def test_the_agent_is_a_property_list_that_starts_the_rig(rig):
    agent = plistlib.loads(launchd_agent(rig, ["/opt/tapebridge"], Path("/Users/keeper")).encode())
    assert agent["ProgramArguments"] == ["/opt/tapebridge", "run", str(rig)]
    assert agent["WorkingDirectory"] == str(rig.parent)
    assert agent["RunAtLoad"] is True
    assert agent["KeepAlive"] == {"SuccessfulExit": False}
    assert agent["StandardErrorPath"] == "/Users/keeper/Library/Logs/tapebridge.log"


def test_the_command_prints_either_and_refuses_a_rig_with_faults(rig):
    shown = CliRunner().invoke(main, ["service", "--print", "--for", "systemd", str(rig)])
    assert shown.exit_code == 0
    assert values(shown.output)["Type"] == "exec"
    shown = CliRunner().invoke(main, ["service", "--print", "--for", "launchd", str(rig)])
    assert plistlib.loads(shown.output.encode())["Label"] == "tapebridge"
    assert CliRunner().invoke(main, ["service", str(rig)]).exit_code == 2
    rig.write_text("[[deks]]")
    assert CliRunner().invoke(main, ["service", "--print", str(rig)]).exit_code == 1
