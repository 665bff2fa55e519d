"""OSC out: what followers, pedals, loopers and cues do, as UDP messages for lights, pictures or a second program."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pythonosc.osc_message_builder import build_msg
from pythonosc.udp_client import UDPClient

from bridge.events import BeatPlaced, DeckChanged, Fact, FollowerChanged, MarkPlaced, PedalTold
from bridge.events_foot import BarCounted, CueFired, LooperChanged, LoopMeasured
from bridge.events_sent import DelayTimeTold, TapsSent
from bridge.osc_table import ROOT
from bridge.rig import Osc

Message = tuple[str, float | int | str]
"""An address and its one argument."""


def messages(fact: Fact) -> Iterator[Message]:
    """Yield what a fact says over OSC, as `bridge.osc_table.OUT` has it; most facts say nothing."""
    for part, value in _said(fact):
        yield f"{ROOT}/{part}", value


def _said(fact: Fact) -> Iterator[Message]:
    match fact:
        case BeatPlaced():
            yield f"deck/{_safe(fact.deck)}/tempo", fact.tempo
            yield f"deck/{_safe(fact.deck)}/beat", fact.index
        case FollowerChanged():
            yield f"deck/{_safe(fact.deck)}/state", fact.now
        case DeckChanged(sure=True):
            yield f"deck/{_safe(fact.deck)}/change", fact.change
        case BarCounted():
            yield f"deck/{_safe(fact.deck)}/one", 1
        case PedalTold():
            yield f"pedal/{_safe(fact.pedal)}/tempo", fact.tempo
        case TapsSent():
            yield f"pedal/{_safe(fact.pedal)}/taps", fact.tempo
        case DelayTimeTold():
            yield f"pedal/{_safe(fact.pedal)}/delay_ms", fact.delay_ms
        case LooperChanged():
            yield f"looper/{_safe(fact.looper)}/state", fact.now
        case LoopMeasured():
            yield f"looper/{_safe(fact.looper)}/apart_beats", fact.apart
            yield f"looper/{_safe(fact.looper)}/apart_ms", fact.ms
        case CueFired():
            yield "cue", fact.cue
        case MarkPlaced():
            yield "mark", fact.text


class OscOut:
    """Sends facts to one host. UDP: what nobody receives is lost, and nothing waits for it.

    Args:
        osc: Where to send; its host is an address, so that no name is looked up while a set runs.
    """

    def __init__(self, osc: Osc) -> None:
        self._client = UDPClient(osc.host, osc.port)

    def send(self, fact: Fact) -> None:
        """Send what a fact says. A network that refuses loses the message and never stops the set."""
        for address, value in messages(fact):
            try:
                self._client.send(build_msg(address, value))
            except OSError:
                return

    def close(self) -> None:
        """Close the socket."""
        self._client.close()


def _safe(name: str) -> str:
    """Replace what OSC 1.0 forbids in the parts of an address: space # * , / ? [ ] { } and all but printable ASCII."""
    return re.sub(r"[^!-~]|[#*,/?\[\]{}]", "-", name)
