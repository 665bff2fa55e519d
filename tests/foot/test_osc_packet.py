"""The frame of OSC packets."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pythonosc.osc_bundle_builder import OscBundleBuilder
from pythonosc.osc_message_builder import build_msg
from pythonosc.parsing import ntp

from bridge.foot.osc_packet import AT_ONCE, messages_in, wall_of

FREQUENCY = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000")


def bundle(*elements: bytes, tag: int = AT_ONCE) -> bytes:
    return b"#bundle\0" + struct.pack(">Q", tag) + b"".join(struct.pack(">i", len(e)) + e for e in elements)


def test_the_examples_of_the_standard():
    """Source: OSC 1.0 specification and its examples page (CHECK_VALUES 4)."""
    assert list(messages_in(FREQUENCY)) == [(AT_ONCE, FREQUENCY)]
    assert list(messages_in(bytes.fromhex("2362756e646c65000000000000000001"))) == []


@pytest.mark.parametrize(("within", "told"), [(20 << 32, 20 << 32), (5 << 32, 10 << 32), (1, 10 << 32)])
def test_a_message_has_the_time_of_the_innermost_bundle_but_none_before_the_one_around_it(within, told):
    """Source: OSC 1.0, OSC Bundles: an enclosed time tag must be greater than or equal to the enclosing one's."""
    packet = bundle(FREQUENCY, bundle(FREQUENCY, tag=within), tag=10 << 32)
    assert list(messages_in(packet)) == [(10 << 32, FREQUENCY), (told, FREQUENCY)]


def test_bundles_of_another_program_are_read():
    built = OscBundleBuilder(1_700_000_000.25)
    built.add_content(build_msg("/a", 1))
    built.add_content(build_msg("/b", "two"))
    [(tag, first), (_, second)] = messages_in(built.build().dgram)
    assert (first, second) == (build_msg("/a", 1).dgram, build_msg("/b", "two").dgram)
    assert wall_of(tag) == pytest.approx(1_700_000_000.25, abs=1e-6)


@pytest.mark.parametrize(("tag", "wall"), [(0x83AA7E8000000000, 0.0), (0x83AA7E8080000000, 0.5)])
def test_time_tags_count_from_1900(tag, wall):
    """Source: OSC 1.0 and NTP: Unix 0 is 83aa7e80.00000000 (CHECK_VALUES 4); python-osc as a second opinion."""
    assert wall_of(tag) == wall == ntp.ntp_to_system_time(struct.pack(">Q", tag))


def nested(depth: int) -> bytes:
    packet = FREQUENCY
    for _ in range(depth):
        packet = bundle(packet)
    return packet


@pytest.mark.parametrize(
    "packet",
    [
        b"",
        b"/ab",
        b"nothing\0",
        b"#bundle\0",
        b"#bundle\0" + bytes(4),
        bundle(b"/a\0"),
        bundle() + struct.pack(">i", -4),
        bundle() + struct.pack(">i", 0),
        bundle() + struct.pack(">i", 400) + FREQUENCY,
        bundle(b"abcd"),
        nested(30),
    ],
    ids=repr,
)
def test_what_is_no_packet_is_refused(packet):
    """A negative length would send a reader that goes by it round and round."""
    with pytest.raises(ValueError, match=r"OSC|bundle"):
        list(messages_in(packet))


@given(st.one_of(st.binary(max_size=80), st.binary(max_size=80).map(lambda b: b"#bundle\0" + b)))
def test_no_bytes_do_more_than_be_refused(packet):
    try:
        for _, message in messages_in(packet):
            assert message.startswith(b"/")
    except ValueError:
        pass
