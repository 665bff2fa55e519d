"""A line-up from beginning to end: read the rig, open the gear, walk, keep the page."""

from __future__ import annotations

import io
import sys
from pathlib import Path

from bridge.edge import control, host_clock
from bridge.errors import DeviceError
from bridge.journal.lineup import keep_lineup
from bridge.journal.take import check_space
from bridge.lineup.findings import Finding, summary
from bridge.lineup.gear import Gear
from bridge.lineup.page import lineup_json, lineup_page
from bridge.lineup.terminal import Terminal
from bridge.lineup.walk import walk
from bridge.rig import Rig
from bridge.rig_text import read_rig


def line_up(path: Path, *, asks: bool, as_json: bool) -> Path | None:
    """Walk through a rig, and return its page; None where the walk was not ended.

    Args:
        path: The rig.
        asks: Whether there is somebody to ask.
        as_json: Whether what was found is printed as JSON, and nothing else.

    Raises:
        RigError: The rig has faults.
        TakeError: The page cannot be kept.
        BridgeError: A set is running.
    """
    rig = read_rig(path)
    control.refuse_second()
    check_space(Path(rig.take.folder))
    terminal = Terminal(rig, asks=asks, out=io.StringIO() if as_json else sys.stdout)
    findings: list[Finding] = []
    why = _walked(rig, terminal, findings)
    wall = host_clock.wall()
    facts = lineup_json(rig, findings, wall)
    page = keep_lineup(Path(rig.take.folder), rig.take.name, wall, lineup_page(rig, findings, wall), facts)
    terminal.say(f"\n{summary(findings)}\nPage: {page}")
    if as_json:
        sys.stdout.write(f"{facts}\n")
    if why:
        sys.stderr.write(f"{why}\n")
    return None if why else page


def _walked(rig: Rig, terminal: Terminal, findings: list[Finding]) -> str:
    """Walk, keep what is found in ``findings``, and return why it was not walked to the end; empty if it was."""
    try:
        with Gear(rig, terminal.meter) as gear:
            for finding in walk(rig, terminal, gear):
                findings.append(finding)  # one by one, so that Ctrl-C leaves what was found before it
    except (KeyboardInterrupt, EOFError):
        return "The walk was ended before its end; the page holds what was found until then."
    except DeviceError as error:
        return str(error)
    return ""
