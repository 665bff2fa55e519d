"""What goes out over OSC."""

from __future__ import annotations

import re
import socket
import struct
from dataclasses import replace

import pytest
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import build_msg

from bridge.edge.osc import OscOut, messages
from bridge.events import BeatPlaced, DeckChanged, Fact, FollowerChanged, LevelHeard, MarkPlaced, PedalTold
from bridge.events_foot import BarCounted, CueFired, LooperChanged, LoopMeasured
from bridge.events_sent import DelayTimeTold, TapsSent
from bridge.osc_table import OUT
from bridge.rig import Osc

BEAT = BeatPlaced(at=10.0, deck="north", index=7, tempo=84.0, confidence=0.9, known=10.1)
FACTS: list[Fact] = [
    BEAT,
    FollowerChanged(at=1.0, deck="north", was="listening", now="following"),
    DeckChanged(
        at=1.0,
        deck="south",
        change="speed switch",
        tempo_before=59.0,
        tempo_after=118.0,
        level_before_db=-20.0,
        level_after_db=-19.0,
        known=4.0,
    ),
    PedalTold(at=1.0, pedal="long echo", deck="north", tempo=84.0, ratio=1.0, why="begin"),
    TapsSent(at=1.0, pedal="short echo", tempo=84.0, count=4),
    DelayTimeTold(at=1.0, pedal="long echo", delay_ms=714.3, why="step"),
    MarkPlaced(at=1.0, wall=0.0, text="the ferry"),
    BarCounted(at=1.0, deck="north"),
    LooperChanged(at=1.0, looper="loop box", was="armed", now="recording", why="the beat fell"),
    LoopMeasured(at=1.0, looper="loop box", apart=-0.25, ms=-178.6),
    CueFired(at=1.0, cue="rain", why="by hand"),
]


@pytest.fixture
def heard():
    """A receiver on loopback, and its port."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        receiver.settimeout(5)
        yield receiver


@pytest.mark.parametrize(
    ("address", "value", "packet"),
    [
        (
            "/oscillator/4/frequency",
            440.0,
            "2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000",
        ),
        (
            "/foo",
            [1000, -1, "hello", 1.234, 5.678],
            "2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d",
        ),
    ],
)
def test_the_library_encodes_the_examples_of_the_standard(address, value, packet):
    """Source: OSC 1.0 specification, examples page (CHECK_VALUES 4)."""
    assert build_msg(address, value).dgram.hex() == packet


def test_a_beat_arrives_as_the_bytes_that_the_standard_asks_for(heard):
    """By hand from OSC 1.0: address, type tags and arguments, each padded with zeros to a multiple of four bytes."""
    out = OscOut(Osc(port=heard.getsockname()[1]))
    out.send(BEAT)
    tempo, beat = heard.recv(1000), heard.recv(1000)
    out.close()
    assert tempo == b"/tapebridge/1/deck/north/tempo\0\0,f\0\0" + struct.pack(">f", 84.0)
    assert beat == b"/tapebridge/1/deck/north/beat\0\0\0,i\0\0" + struct.pack(">i", 7)


def test_every_message_is_in_the_table_with_its_type():
    table = {re.sub("NAME", "[^/]+", row.address): row.types for row in OUT}
    sent = set()
    for fact in FACTS:
        for address, value in messages(fact):
            [pattern] = [p for p in table if re.fullmatch(p, address)]
            assert table[pattern] == {float: "f", int: "i", str: "s"}[type(value)]
            sent.add(pattern)
    assert sent == set(table)


def test_what_osc_forbids_in_an_address_becomes_a_hyphen():
    """Source: OSC 1.0, characters not allowed in names: space # * , / ? [ ] { }."""
    fact = PedalTold(at=1.0, pedal="long echo/#2 {dü}", deck="north", tempo=84.0, ratio=1.0, why="begin")
    [(address, _)] = messages(fact)
    assert address == "/tapebridge/1/pedal/long-echo--2--d--/tempo"


def test_what_is_not_sure_is_not_sent():
    [change] = [fact for fact in FACTS if isinstance(fact, DeckChanged)]
    assert list(messages(replace(change, sure=False))) == []


def test_other_facts_say_nothing():
    assert list(messages(LevelHeard(at=0.0, deck="north", level_db=-20.0))) == []


def test_a_receiver_that_is_gone_never_stops_the_set():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        port = receiver.getsockname()[1]
    out = OscOut(Osc(port=port))
    for _ in range(20):
        out.send(BEAT)
    out.close()


def test_text_arrives_whole(heard):
    out = OscOut(Osc(port=heard.getsockname()[1]))
    out.send(MarkPlaced(at=1.0, wall=0.0, text="fog – ☂"))
    assert OscMessage(heard.recv(1000)).params == ["fog – ☂"]
    out.close()
