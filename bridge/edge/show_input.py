"""Shows what arrives: MIDI, keys and OSC, as lines to paste into a rig."""

from __future__ import annotations

import socket
import sys
from collections.abc import Callable
from contextlib import ExitStack
from math import inf

from pythonosc.osc_message import ParseError

from bridge.edge.foot_midi import FootMidi
from bridge.edge.host_clock import now
from bridge.edge.keys import Keys
from bridge.edge.midi_in import inputs
from bridge.edge.osc_in import PACKET_MAX, bound_socket, parsed
from bridge.errors import DeviceError
from bridge.events import PortLost, PortOpened
from bridge.foot.osc_packet import messages_in
from bridge.foot.shown import Shown
from bridge.foot.switches import Switches
from bridge.rig import Rig

LOOK_S = 0.25
"""The longest wait, in seconds: how soon an input that was plugged in is seen is for `FootMidi` to say."""

AT_A_TIME = 100
"""OSC packets that are shown before anything else is looked at."""


def show_input(rig: Rig, say: Callable[[str], None], tell: Callable[[str], None], for_s: float | None = None) -> None:
    """Show what arrives until KeyboardInterrupt, which is let through, or until the time is over.

    Args:
        rig: Its switches' MIDI inputs are listened to, or all of this machine if no switch has one; and its OSC.
        say: Takes lines for the rig.
        tell: Takes what else there is to know, such as which inputs are absent.
        for_s: How long, in seconds; None for no limit.

    Raises:
        DeviceError: The UDP port of OSC is taken; or there is no MIDI input, no terminal and no OSC to listen to.
        ValueError: ``for_s`` is not above 0.
    """
    if for_s is not None and not for_s > 0:
        raise ValueError(f"for_s must be above 0 seconds, got {for_s!r}")
    until = inf if for_s is None else now() + for_s
    with ExitStack() as stack:
        osc = None if rig.osc_in is None else stack.enter_context(bound_socket(rig.osc_in))
        keys = stack.enter_context(Keys(now))
        names, lack = _ports(rig)
        sources = _sources(rig, keys, lack)
        if not sources:
            raise DeviceError(
                f"{rig.path}: there is nothing to listen to. {lack} Or run this in a terminal, for its keys, or write "
                "an [osc_in] table into the rig, for OSC."
            )
        if lack:
            tell(lack)
        midi = FootMidi(names, rig.midi.api, now)
        stack.callback(midi.close)
        tell(f"Press what you want to use; Ctrl-C ends. Listening to {', '.join(sources)}.")
        shown = Shown(rig.switches)
        while now() < until:
            keys.tend()
            for fact in midi.tend():
                if isinstance(fact, PortOpened):
                    tell(f'listening to the MIDI input "{fact.found}"')
                elif isinstance(fact, PortLost):
                    tell(f"not heard: {fact.why}. It is taken in as soon as it is there.")
            readable = [end for end in (keys, osc) if end is not None and end.fileno() >= 0]
            due = min(until, keys.next_due(), now() + LOOK_S)
            midi.wait(readable, [], max(0.0, due - now()))
            for message in midi.take():
                say(shown.of_midi(message.port, message.data))
            for key, _ in keys.take():
                say(shown.of_key(key))
            if osc is not None:
                _show_osc(osc, shown, say)


def _ports(rig: Rig) -> tuple[list[str], str]:
    """Return the inputs that the rig's switches name, or all that are there; and why none can be heard, if so."""
    named = list(Switches(rig.switches).ports)
    try:
        there = inputs(rig.midi.api)
    except DeviceError as error:
        return named, str(error)
    lack = "" if named or there else "No MIDI input is plugged in. Plug one in, and start this again."
    return named or there, lack


def _sources(rig: Rig, keys: Keys, lack: str) -> list[str]:
    """Return what is listened to, in words."""
    where = [] if lack else ["MIDI"]
    where += [] if rig.osc_in is None else [f"OSC at {rig.osc_in.host} port {rig.osc_in.port}"]
    has_keys = keys.fileno() >= 0 or sys.platform == "win32"
    return [*where, *(["keys"] if has_keys else [])]


def _show_osc(osc: socket.socket, shown: Shown, say: Callable[[str], None]) -> None:
    for _ in range(AT_A_TIME):
        try:
            packet, (source, *_) = osc.recvfrom(PACKET_MAX)
        except BlockingIOError:
            return
        except OSError:  # as an answer of the network to nobody's packet
            continue
        try:
            for _, message in messages_in(packet):
                say(shown.of_osc(*parsed(message), source))
        except (ValueError, ParseError):
            say(f"# {len(packet)} bytes from {source} are no OSC: {packet[:32].hex(' ')}")
