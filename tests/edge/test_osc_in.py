"""OSC in, by real packets on loopback."""

from __future__ import annotations

import socket
import struct
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pythonosc.osc_bundle_builder import OscBundleBuilder
from pythonosc.osc_message import OscMessage, ParseError
from pythonosc.osc_message_builder import build_msg

from bridge.actions import Action
from bridge.edge import osc_in
from bridge.edge.osc_in import OscIn, parsed
from bridge.errors import DeviceError
from bridge.foot.osc_asked import OscAsked
from bridge.foot.switches import Switches
from bridge.rig_foot import OscInput, Switch, Trigger
from bridge.testing.clock import FakeClock

LEFT = Switch(name="left", trigger=Trigger(kind="osc", word="/foot/left"), press=Action("keep", ("north",)))
NAMES = {"deck": ["north"], "pedal": ["long echo"], "looper": ["loop box"], "cue": []}
TAP = build_msg("/tapebridge/1/do/tap", "north").dgram


@contextmanager
def opened(wall=lambda: 1000.0, host: str = "127.0.0.1", allow: tuple[str, ...] = ()) -> Iterator[tuple[OscIn, object]]:
    """An input, and what sends a packet to it and lets it be taken at a time."""
    heard = OscIn(OscInput(host=host, port=0), OscAsked(NAMES, Switches([LEFT]), allow), wall)
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    def send(packet: bytes, at: float = 10.0) -> list[object]:
        before = heard.received
        sender.sendto(packet, ("127.0.0.1", heard.port()))
        came = heard.take(at)
        give_up = time.monotonic() + 5
        while heard.received == before and time.monotonic() < give_up:
            came += heard.take(at)
        return [(one.at, one.asked) for one in came]

    try:
        yield heard, send
    finally:
        heard.close()
        sender.close()


def balanced(heard: OscIn) -> bool:
    return heard.received == heard.handled + heard.refused + heard.malformed + heard.waiting


def bundle(tag_wall: float | None, *messages: bytes) -> bytes:
    tag = 1 if tag_wall is None else int((tag_wall + 2_208_988_800) * 2**32)
    return b"#bundle\0" + struct.pack(">Q", tag) + b"".join(struct.pack(">i", len(m)) + m for m in messages)


def test_a_message_is_done_as_it_comes():
    with opened() as (heard, send):
        assert send(TAP) == [(10.0, Action("tap", ("north",)))]
        assert send(build_msg("/foot/left", 1.0).dgram) == [(10.0, (LEFT, "down"))]
        assert (heard.received, heard.handled) == (2, 2)


def test_the_example_of_the_standard_is_read():
    """Source: OSC 1.0 examples page (CHECK_VALUES 4); a single float has 7 digits."""
    packet = "2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d"
    address, arguments = parsed(bytes.fromhex(packet))
    assert (address, arguments[:3]) == ("/foo", (1000, -1, "hello"))
    assert arguments[3:] == pytest.approx((1.234, 5.678), rel=1e-6)


def test_a_message_without_type_tags_has_no_arguments_and_one_with_unknown_ones_is_none():
    """Source: OSC 1.0: old senders leave the type tags out; what has unknown ones is to be discarded."""
    with opened() as (heard, send):
        assert send(b"/foot/left\0\0") == [(10.0, (LEFT, "touch"))]
        assert send(b"/foot/left\0\0,i\0\0\0\0\0\1") == [(10.0, (LEFT, "down"))]
        assert send(b"/foot/left\0\0,Q\0\0\0\0\0\1") == []
        assert send(b"/foot/left\0\0\0\0\0\1") == []
        assert (heard.received, heard.handled, heard.malformed) == (4, 2, 2)


@pytest.mark.parametrize(
    "packet", [b"", b"x", b"abcd", b"/a", b"#bundle\0", b"/foot/left\0\0,s\0\0abcd", b"/\xff\xfe\0,s\0\0\xff\0\0\0"]
)
def test_packets_that_are_no_osc_are_counted_and_harm_nobody(packet):
    with opened() as (heard, send):
        assert send(packet) == []
        assert (heard.received, heard.malformed + heard.refused) == (1, 1)
        assert 0 < len(heard.why) <= osc_in.WHY_MAX
        assert heard.why.isprintable()
        assert send(TAP) != []
        assert balanced(heard)


def test_type_tags_are_looked_for_where_the_library_looks(caplog):
    """One that it does not know would be skipped with a warning on the terminal, and what follows read wrong."""
    for message in (b"/foot/le\0,\0\0,#\0\0", b"/foot/left\0\0,iQ\0\0\0\0\0\1", b"/foot/left\0x,Q\0\0"):
        with pytest.raises(ParseError):
            parsed(message)
    assert not caplog.records


@given(st.binary(max_size=64))
def test_no_arguments_are_too_odd(data):
    message = b"/foot/left\0\0" + data + bytes(-len(data) % 4)
    try:
        address, _ = parsed(message)
        assert address == "/foot/left"
        assert OscMessage(message).address == address
    except ParseError:
        pass


def test_a_bundle_is_done_at_its_time():
    with opened(wall=lambda: 1000.0) as (heard, send):
        done = Action("tap", ("north",))
        assert send(bundle(None, TAP)) == [(10.0, done)]
        assert send(bundle(0.0, TAP)) == [(10.0, done)]
        assert send(bundle(999.0, TAP, TAP)) == [(10.0, done)] * 2
        assert send(bundle(1003.0, TAP)) == []
        assert send(bundle(1002.0, TAP)) == []
        assert (heard.waiting, heard.handled) == (2, 4)
        assert heard.next_due() == pytest.approx(12.0)
        assert [came.at for came in heard.take(11.9)] == []
        assert [came.at for came in heard.take(13.5)] == pytest.approx([12.0, 13.0])
        assert balanced(heard)


def test_the_messages_of_a_bundle_are_done_in_order_each_for_all_that_it_means():
    """Source: OSC 1.0 examples page, dispatch (CHECK_VALUES 4): 12 orders are permitted, groups stay in order."""
    words = ("/first/this/one", "/second/1", "/second/2", "/third/a", "/third/b", "/third/c")
    switches = [Switch(name=w, trigger=Trigger(kind="osc", word=w), press=Action("keep", ("north",))) for w in words]
    heard = OscIn(OscInput(host="127.0.0.1", port=0), OscAsked(NAMES, Switches(switches), ()), lambda: 1000.0)
    patterns = ("/first/this/one", "/second/[1-2]", "/third/*")
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            packet = bundle(None, *[build_msg(pattern, 1).dgram for pattern in patterns])
            sender.sendto(packet, ("127.0.0.1", heard.port()))
            came, give_up = heard.take(10.0), time.monotonic() + 5
            while not came and time.monotonic() < give_up:
                came = heard.take(10.0)
    finally:
        heard.close()
    done = [one.asked[0].name for one in came]
    assert (done[:1], set(done[1:3]), set(done[3:])) == ([words[0]], set(words[1:3]), set(words[3:]))
    assert len(done) == len(words)


def test_a_bundle_of_another_program_is_read():
    built = OscBundleBuilder(1002.0)
    built.add_content(build_msg("/tapebridge/1/do/tap", "north"))
    with opened(wall=lambda: 1000.0) as (heard, send):
        send(built.build().dgram)
        assert heard.next_due() == pytest.approx(12.0, abs=1e-6)


def test_what_is_too_far_ahead_or_too_much_ahead_is_refused_and_counted():
    with opened(wall=lambda: 1000.0) as (heard, send):
        send(bundle(1060.5, TAP))
        assert (heard.refused, heard.waiting) == (1, 0)
        for _ in range(osc_in.WAITING_MAX + 3):
            send(bundle(1059.0, TAP))
        assert (heard.refused, heard.waiting) == (4, osc_in.WAITING_MAX)
        heard.close()
        assert (heard.waiting, heard.refused) == (0, 4 + osc_in.WAITING_MAX)
        assert balanced(heard)


def test_the_newest_message_that_was_not_done_is_named():
    """Its words come from the network: they are cut, and cannot write on a terminal."""
    with opened() as (heard, send):
        send(b"no osc")
        assert heard.why.startswith("no OSC: ")
        send(build_msg("/foot/" + "\x1b[2J" + "x" * 500).dgram)
        assert heard.why.startswith('there is no OSC address "/foot/?[2Jxx')
        assert len(heard.why) < osc_in.WHY_MAX
        assert heard.counted(1.0).why == heard.why


def test_an_empty_bundle_is_nothing_to_do():
    with opened() as (heard, send):
        assert send(bundle(None)) == []
        assert (heard.received, heard.handled) == (1, 1)


def test_more_than_a_hand_can_ask_for_is_refused_and_counted():
    with opened() as (heard, send):
        for _ in range(200):
            send(TAP, at=10.0)
        assert (heard.handled, heard.refused) == (50, 150)
        assert heard.why == "too many at once"
        assert send(TAP, at=10.015) != []


def test_a_switch_that_is_let_go_is_never_too_much():
    """It would stay closed, and every later press would be none."""
    down, up = build_msg("/foot/left", 1.0).dgram, build_msg("/foot/left", 0.0).dgram
    with opened() as (heard, send):
        for _ in range(60):
            send(down, at=10.0)
        assert (heard.handled, heard.refused) == (50, 10)
        assert send(up, at=10.0) == [(10.0, (LEFT, "up"))]


def test_a_flood_from_another_machine_leaves_this_one_what_it_may_ask_for(monkeypatch):
    with opened(allow=("tap",)) as (heard, send):
        monkeypatch.setattr(osc_in, "_is_local", lambda _: False)
        for _ in range(60):
            send(TAP, at=10.0)
        assert (heard.handled, heard.refused) == (50, 10)
        monkeypatch.setattr(osc_in, "_is_local", lambda _: True)
        assert send(TAP, at=10.0) == [(10.0, Action("tap", ("north",)))]


def test_a_long_packet_is_malformed_and_one_look_takes_no_more_than_a_few_of_them():
    text = "x" * (osc_in.READ_MAX - len(build_msg("/tapebridge/1/do/mark", "").dgram) - 1)
    longest = build_msg("/tapebridge/1/do/mark", text).dgram
    assert len(longest) == osc_in.READ_MAX
    with opened() as (heard, send), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        send(longest)
        assert (heard.refused, heard.malformed) == (1, 0)  # it is OSC; a mark is shorter
        send(longest + bytes(4))
        assert (heard.refused, heard.malformed) == (1, 1)
        for _ in range(10):
            sender.sendto(longest, ("127.0.0.1", heard.port()))
        time.sleep(0.05)
        heard.take(10.0)
        assert heard.received == 2 + osc_in.BYTES_AT_A_TIME // osc_in.READ_MAX


def own_address() -> str | None:
    """Return an address of this machine beyond loopback; None without one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 of RFC 5737: nothing is sent
            return probe.getsockname()[0]
        except OSError:
            return None


def test_from_beyond_loopback_only_what_the_rig_allows():
    address = own_address()
    if address is None or address.startswith("127."):
        pytest.skip("this machine has no address beyond loopback")
    with opened(host="0.0.0.0", allow=("mark", "clear")) as (heard, _):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.bind((address, 0))
            for address_of, name in (("mark", "the ferry"), ("clear", "loop box"), ("tap", "north")):
                sender.sendto(build_msg(f"/tapebridge/1/do/{address_of}", name).dgram, (address, heard.port()))
        came = []
        give_up = time.monotonic() + 5
        while heard.received < 3 and time.monotonic() < give_up:
            came += heard.take(1.0)
        assert [one.asked for one in came] == [Action("mark", ("the ferry",))]
        assert (heard.received, heard.handled, heard.refused) == (3, 1, 2)


@pytest.mark.parametrize(
    ("source", "is_local"),
    [
        ("127.0.0.1", True),
        ("127.9.9.9", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("192.168.1.7", False),
        ("::ffff:192.168.1.7", False),
        ("fe80::1%eth0", False),
    ],
)
def test_what_counts_as_this_machine(source, is_local):
    assert osc_in._is_local(source) is is_local


def test_a_port_that_is_taken_and_an_address_that_is_not_here_are_refused_in_words():
    with opened() as (heard, _):
        asked = OscAsked(NAMES, Switches([]), ())
        with pytest.raises(DeviceError, match=rf"at 127.0.0.1 port {heard.port()} .*Free the port, or give another"):
            OscIn(OscInput(port=heard.port()), asked, time.time)
        with pytest.raises(DeviceError, match=r"at 192.0.2.1 port 9000"):
            OscIn(OscInput(host="192.0.2.1", port=9000), asked, time.time)


def test_of_ten_thousand_packets_each_is_handled_counted_or_was_dropped_by_the_system():
    """Each kind of packet by turns, as fast as they can be sent, and taken meanwhile."""
    clock = FakeClock(10.0)
    kinds = [TAP, b"no osc at all", build_msg("/nobody", 1).dgram, bundle(None, TAP)]
    with opened() as (heard, send), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for number in range(10_000):
            sender.sendto(kinds[number % 4], ("127.0.0.1", heard.port()))
            if number % 50 == 0:
                clock.advance(0.005)
                heard.take(clock())
        give_up = time.monotonic() + 5
        while heard.received + heard.lost < 10_000 and time.monotonic() < give_up:
            heard.take(clock())
        send(TAP)  # with this one the system tells what it dropped
        assert balanced(heard)
        assert heard.handled > 50
        if sys.platform == "linux":
            assert heard.received + heard.lost == 10_001


@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not tell what they drop")
def test_what_the_system_dropped_is_counted():
    """Nobody reads while more comes than it keeps."""
    sent = 20_000
    with opened() as (heard, send), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        heard._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        for _ in range(sent):
            sender.sendto(TAP, ("127.0.0.1", heard.port()))
        while heard.take(10.0) or heard.received % osc_in.AT_A_TIME == 0:
            if heard.received >= sent:
                break
        send(TAP)
        assert heard.lost > 0
        assert heard.received + heard.lost == sent + 1


def test_the_socket_is_closed():
    with opened() as (heard, _):
        where = OscInput(port=heard.port())
    OscIn(where, OscAsked(NAMES, Switches([]), ()), time.time).close()
