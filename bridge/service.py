"""A set as a service of the system, as text: a user unit of systemd, an agent of launchd. Nothing is installed."""

from __future__ import annotations

import plistlib
from collections.abc import Sequence
from pathlib import Path

STOP_S = 20
"""Time that a set has for ending in order, review included, in seconds; then the system kills it."""

NAME = "tapebridge"

UNIT = """\
# Save as ~/.config/systemd/user/{name}.service, then once:
#   systemctl --user daemon-reload && systemctl --user enable --now {name}
# To play from boot on, without a login: loginctl enable-linger. What it says: journalctl --user -u {name}
# Real time needs the limits that `tapebridge check` names.
[Unit]
Description=Tape Bridge plays {rig}
After=sound.target pipewire.service wireplumber.service
StartLimitIntervalSec=0

[Service]
Type=exec
WorkingDirectory={folder}
ExecStart={command}
StandardInput=null
Restart=on-failure
RestartSec=2
KillMode=mixed
TimeoutStopSec={stop_s}
LimitRTPRIO=20
LimitMEMLOCK=infinity

[Install]
WantedBy=default.target
"""
"""Source: systemd.unit(5), systemd.service(5), systemd.kill(5), systemd.exec(5)."""

AGENT_HEAD = """\
<!-- Save as ~/Library/LaunchAgents/{name}.plist, then once: launchctl bootstrap gui/$UID that-file.
     What it says is in {log} -->
"""


def systemd_unit(rig: Path, command: Sequence[str]) -> str:
    """Return the text of a user unit that plays a rig.

    Args:
        rig: The rig's file; takes land beside it, unless the rig names a folder of its own.
        command: What starts Tape Bridge: the program and its first arguments.
    """
    rig = rig.absolute()
    words = " ".join(_quoted(word) for word in (*command, "run", str(rig)))
    return UNIT.format(name=NAME, rig=_plain(str(rig)), folder=_plain(str(rig.parent)), command=words, stop_s=STOP_S)


def launchd_agent(rig: Path, command: Sequence[str], home: Path) -> str:
    """Return the text of a launchd agent that plays a rig.

    Args:
        rig: As for `systemd_unit`.
        command: As for `systemd_unit`.
        home: The user's own folder.

    Source: launchd.plist(5).
    """
    rig = rig.absolute()
    log = str(home / "Library" / "Logs" / f"{NAME}.log")
    agent = {
        "Label": NAME,
        "ProgramArguments": [*command, "run", str(rig)],
        "WorkingDirectory": str(rig.parent),
        "RunAtLoad": True,
        "KeepAlive": {"SuccessfulExit": False},
        "ProcessType": "Interactive",
        "LegacyTimers": True,  # wake-ups are not put together with others'
        "ExitTimeOut": STOP_S,
        "StandardOutPath": log,
        "StandardErrorPath": log,
    }
    declaration, newline, rest = plistlib.dumps(agent, sort_keys=False).decode().partition("\n")
    return declaration + newline + AGENT_HEAD.format(name=NAME, log=log.replace("--", "- -")) + rest


def _quoted(word: str) -> str:
    """Return a word as ExecStart takes it: percent signs, dollars, quotes and backslashes mean themselves."""
    for sign, written in (("\\", "\\\\"), ('"', '\\"'), ("%", "%%"), ("$", "$$")):
        word = word.replace(sign, written)
    return f'"{word}"'


def _plain(text: str) -> str:
    return text.replace("%", "%%")
