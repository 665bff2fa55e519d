"""Where a MIDI output is plugged in, and its serial number: what tells identical interfaces apart, on Linux.

The sequencer of ALSA numbers the clients of its sound cards 16 + 4 * card and up (SNDRV_SEQ_GLOBAL_CLIENTS and
SNDRV_SEQ_CLIENTS_PER_CARD of the kernel's sound/core/seq), and its names end in client and port, as "Pedals MIDI 1
20:0". From the card /sys and /dev/snd/by-path lead to the socket. Other systems tell RtMidi nothing of this.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

GLOBAL_CLIENTS, CLIENTS_PER_CARD, DYNAMIC_CLIENTS = 16, 4, 128

_ADDRESS = re.compile(r" (\d+):(\d+)$")


@dataclass(frozen=True, slots=True)
class Place:
    """Where an output is plugged in.

    Attributes:
        path: Its socket, as /dev/snd/by-path calls it, else its USB address such as "1-2.3"; None if unknown.
        serial: The serial number that its maker gave it; None if it tells none.
    """

    path: str | None = None
    serial: str | None = None

    def __str__(self) -> str:
        """Return it as words to read; empty if nothing is known."""
        return ", ".join(f"{key} {value}" for key, value in (("path", self.path), ("serial", self.serial)) if value)


def place_of(output: str, root: Path = Path("/")) -> Place:
    """Return where an output is plugged in, as far as the system tells.

    Args:
        output: Its full name.
        root: Where the system's own files are.
    """
    card = _card(output)
    if card is None:
        return Place()
    try:
        device = (root / f"sys/class/sound/card{card}/device").resolve(strict=True)
    except (OSError, RuntimeError):
        return Place()
    usb = next((folder for folder in (device, *device.parents[:2]) if (folder / "idVendor").exists()), None)
    path = _by_path(card, root) or (usb.name if usb is not None else None)
    return Place(path, _word(usb / "serial") if usb is not None else None)


def _card(output: str) -> int | None:
    address = _ADDRESS.search(output)
    if address is None or not GLOBAL_CLIENTS <= int(address[1]) < DYNAMIC_CLIENTS:
        return None
    return (int(address[1]) - GLOBAL_CLIENTS) // CLIENTS_PER_CARD


def _by_path(card: int, root: Path) -> str | None:
    try:
        links = sorted((root / "dev/snd/by-path").iterdir())
    except OSError:
        return None
    return next((link.name for link in links if link.resolve().name == f"controlC{card}"), None)


def _word(path: Path) -> str | None:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip() or None
    except OSError:
        return None


def connects(clients: str, client: str, port: str, output: str) -> bool | None:
    """Return whether ALSA's sequencer has a port of ours connected to an output; None if it does not tell.

    Args:
        clients: What /proc/asound/seq/clients says (snd_seq_info_clients_read of the kernel's seq_clientmgr.c).
        client: Name of our client.
        port: Name of our port.
        output: The output's full name.
    """
    address = _ADDRESS.search(output)
    if address is None:
        return None
    found: bool | None = None
    owner = is_ours = False
    for line in clients.splitlines():
        if line.startswith("Client "):
            owner, is_ours = f': "{client}" [' in line, False
        elif line.startswith("  Port "):
            is_ours = owner and f': "{port}" (' in line
            found = bool(found) if is_ours else found
        elif is_ours and line.strip().startswith("Connecting To:"):
            found = found or address[0].strip() in re.findall(r"\d+:\d+", line.partition(":")[2])
    return found
