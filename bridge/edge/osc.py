"""OSC out: what the followers and pedals do, as UDP messages for lights, pictures or a second program."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pythonosc.osc_message_builder import build_msg
from pythonosc.udp_client import UDPClient

from bridge.events import BeatPlaced, DeckChanged, Fact, FollowerChanged, MarkPlaced, PedalTold
from bridge.events_sent import DelayTimeTold, TapsSent
from bridge.rig import Osc

ADDRESSES = {
    "/tapebridge/1/deck/NAME/tempo": "f: heard tempo in bpm, at every beat",
    "/tapebridge/1/deck/NAME/beat": "i: beats since the follower began, at every beat",
    "/tapebridge/1/deck/NAME/state": "s: idle, listening, following or holding, when it changes",
    "/tapebridge/1/deck/NAME/change": "s: started, stopped, another tape or speed switch, when it happens",
    "/tapebridge/1/pedal/NAME/tempo": "f: tempo of the pedal's clock in bpm, when it is told",
    "/tapebridge/1/pedal/NAME/taps": "f: tempo in bpm that was tapped into the pedal, after each burst",
    "/tapebridge/1/pedal/NAME/delay_ms": "f: delay time in ms that the pedal was told, in drift once a second at most",
    "/tapebridge/1/mark": "s: a mark's text, when it is placed",
}
"""Every address that is sent, version 1. NAME is the rig's name; what OSC forbids in a name becomes a hyphen."""

Message = tuple[str, float | int | str]
"""An address and its one argument."""


def messages(fact: Fact) -> Iterator[Message]:
    """Yield what a fact says over OSC; most facts say nothing."""
    match fact:
        case BeatPlaced():
            yield f"{_deck(fact.deck)}/tempo", fact.tempo
            yield f"{_deck(fact.deck)}/beat", fact.index
        case FollowerChanged():
            yield f"{_deck(fact.deck)}/state", fact.now
        case DeckChanged():
            yield f"{_deck(fact.deck)}/change", fact.change
        case PedalTold():
            yield f"/tapebridge/1/pedal/{_safe(fact.pedal)}/tempo", fact.tempo
        case TapsSent():
            yield f"/tapebridge/1/pedal/{_safe(fact.pedal)}/taps", fact.tempo
        case DelayTimeTold():
            yield f"/tapebridge/1/pedal/{_safe(fact.pedal)}/delay_ms", fact.delay_ms
        case MarkPlaced():
            yield "/tapebridge/1/mark", fact.text


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


def _deck(name: str) -> str:
    return f"/tapebridge/1/deck/{_safe(name)}"


def _safe(name: str) -> str:
    """Replace what OSC 1.0 forbids in the parts of an address: space # * , / ? [ ] { } and all but printable ASCII."""
    return re.sub(r"[^!-~]|[#*,/?\[\]{}]", "-", name)
