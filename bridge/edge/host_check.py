"""What of this machine may disturb a set: what it does not grant, the battery, the lid, USB power saving.

Only what can be read is told; nothing is said of the rest.
"""

from __future__ import annotations

import getpass
import re
import sys
from collections.abc import Iterator
from pathlib import Path

from bridge.edge.priority import Granted, on_time

LIMITS = "/etc/security/limits.d/tapebridge.conf"
"""Where Linux reads what a user may ask for, at the next login. Source: limits.conf(5)."""

AUDIO_CLASS = "01"
"""USB interface class of sound and MIDI. Source: USB-IF, Defined Class Codes."""


def warnings(root: Path = Path("/"), granted: Granted | None = None) -> list[str]:
    """Return what may disturb a set, each with what to do about it.

    Args:
        root: Where the system's own files are.
        granted: What this user's programs get; None to try it.
    """
    if granted is None:
        with on_time() as granted:
            pass
    return [*_not_granted(granted), *_battery(root), *_lid(root), *_usb(root)]


def _not_granted(granted: Granted) -> Iterator[str]:
    if sys.platform != "linux" or (granted.priority == "real time" and granted.memory == "locked"):
        return
    lacks = [] if granted.priority == "real time" else [f"real-time priority (only {granted.priority})"]
    lacks += [] if granted.memory == "locked" else ["to lock its memory"]
    user = getpass.getuser()
    line = rf"printf '{user} - rtprio 20\n{user} - memlock unlimited\n' | sudo tee {LIMITS}"
    yield f"The clock is not granted {' nor '.join(lacks)}. Once, and log in again after it: {line}"


def _battery(root: Path) -> Iterator[str]:
    for supply in _folders(root / "sys/class/power_supply"):
        if _word(supply / "type") != "Battery" or _word(supply / "status") != "Discharging":
            continue
        if _word(supply / "scope") == "Device":  # of a mouse
            continue
        left = f" ({percent} %)" if (percent := _word(supply / "capacity")) else ""
        yield f"The machine runs on its battery{left}. Plug in the mains: it slows down, and ends."


def _lid(root: Path) -> Iterator[str]:
    lids = [lid for lid in _folders(root / "proc/acpi/button/lid") if _word(lid / "state")]
    if not lids:
        return
    names = ("etc/systemd/logind.conf", "usr/lib/systemd/logind.conf")
    files = [root / names[0], *sorted((root / "etc/systemd/logind.conf.d").glob("*.conf")), root / names[1]]
    words = [match[1] for file in files for match in re.finditer(r"(?m)^HandleLidSwitch=(\S+)", _text(file))]
    if words and words[0] in ("ignore", "lock"):
        return
    yield (
        "Closing the lid may send the machine to sleep. Leave it open, or set HandleLidSwitch=ignore in "
        "/etc/systemd/logind.conf."
    )


def _usb(root: Path) -> Iterator[str]:
    for device in _folders(root / "sys/bus/usb/devices"):
        if _word(device / "power/control") != "auto":
            continue
        if any(_word(file) == AUDIO_CLASS for file in device.glob("*:*/bInterfaceClass")):
            name = _word(device / "product") or device.name
            yield (
                f'USB may switch off "{name}" to save power. For now: '
                f"echo on | sudo tee /sys/bus/usb/devices/{device.name}/power/control"
            )


def _folders(path: Path) -> list[Path]:
    try:
        return sorted(path.iterdir())
    except OSError:
        return []


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""


def _word(path: Path) -> str:
    return _text(path).strip()
