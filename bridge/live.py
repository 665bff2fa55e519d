"""A set from beginning to end: make the take's folder, become the sender, write the review.

Until the set is over this loads nothing that the sender must not have; the review is made afterwards.
"""

from __future__ import annotations

import socket
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from bridge import sender
from bridge.edge import control
from bridge.edge.child import Listen
from bridge.edge.host_clock import now, wall
from bridge.edge.keys import terminal_kept
from bridge.edge.midi import refuse_taken_ports
from bridge.edge.port_set import OutPort
from bridge.errors import DeviceError
from bridge.journal.lineup import take_lineup_along
from bridge.journal.take import RIG_COPY, check_space, new_take_folder, write_whole
from bridge.rig import Rig
from bridge.rig_text import parse_rig, read_rig_text
from bridge.send.plan import SendPlan

SHOW_CURSOR = "\x1b[?25h"


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """What came of a set.

    Attributes:
        ended: How it ended.
        folder: The take's folder.
        review: The review.
    """

    ended: sender.SetEnded
    folder: Path
    review: Path


def play_live(path: Path, *, for_s: float | None = None) -> Played:
    """Play the rig of a file until the set is ended.

    Args:
        path: The rig.
        for_s: Length of the set in seconds; None for no limit.

    Raises:
        RigError: The rig has faults.
        DeviceError: The host of its OSC is unknown.
        TakeError: The take cannot be written.
        BridgeError: A set is running already.
    """
    text = read_rig_text(path)
    rig = parse_rig(text, str(path))
    if rig.osc is not None:  # looked up now, so that nothing is looked up while the set runs
        rig = replace(rig, osc=replace(rig.osc, host=_address_of(rig.osc.host, rig.path)))
    return play(rig, text, f"Tape Bridge plays {path}", for_s=for_s)


def play(
    rig: Rig,
    copy: str,
    title: str,
    *,
    for_s: float | None = None,
    open_port: Callable[[str], OutPort] | None = None,
    tape: tuple[Path, float] | None = None,
) -> Played:
    """Play a rig in this process as the sender, with the listener as its child, and write the review.

    Args:
        rig: What is plugged in.
        copy: The rig's text, kept with the take.
        title: What runs, for the terminal.
        for_s: Length of the set in seconds; None for no limit.
        open_port: Opens simulated MIDI outputs by their names, in this process; None for the machine's own.
        tape: A sound file to hear instead of the rig's device, and the host time at which it begins.

    Raises:
        TakeError: The take cannot be written.
        BridgeError: A set is running already.
        DeviceError: Another set has one of the MIDI outputs.
    """
    control.refuse_second()
    plan = SendPlan.of(rig)
    if open_port is None:
        refuse_taken_ports([port.name for port in plan.ports], plan.api, plan.virtual)
    folder = begin_take(rig, copy)
    listen = Listen("bridge.listener:listen", (rig, folder, title, tape, now()))
    foot = Listen("bridge.edge.foot:foot", (rig,)) if rig.switches or rig.osc_in is not None else None
    with terminal_kept():
        ended = sender.run(plan, listen, foot=foot, for_s=for_s, open_port=open_port)
    from bridge.review.page import write_review

    review = write_review(folder)
    if sys.stdout is not None and sys.stdout.isatty():  # a listener that was killed had no chance
        with suppress(OSError):
            sys.stdout.write(SHOW_CURSOR)
    return Played(ended=ended, folder=folder, review=review)


def begin_take(rig: Rig, copy: str) -> Path:
    """Make the folder of a new take, with the rig's text and tonight's line-up in it, and return it.

    Raises:
        TakeError: It cannot be written, or its disk is nearly full.
    """
    parent = Path(rig.take.folder)
    check_space(parent)
    folder = new_take_folder(parent, rig.take.name, wall())
    write_whole(folder / RIG_COPY, copy.encode())
    if rig.cue_sheet:
        write_whole(folder / rig.cue_sheet, Path(rig.path).with_name(rig.cue_sheet).read_bytes())
    take_lineup_along(parent, folder, wall())
    return folder


def _address_of(host: str, path: str) -> str:
    try:
        return socket.gethostbyname(host)
    except OSError as error:
        raise DeviceError(
            f'{path}: osc.host = "{host}" is unknown here ({error}). Give an address, or a name known here.'
        ) from error
