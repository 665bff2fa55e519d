"""Promises of the link between the sender and the listener."""

import json
import multiprocessing
import socket
import time
from collections.abc import Iterator

import pytest

from bridge.edge import link as link_module
from bridge.edge.link import (
    ALIVE_EVERY_S,
    LINE_MAX,
    WAITING_MAX,
    Alive,
    EndAsked,
    Link,
    LinkMessage,
    PortsGone,
    Standing,
)
from bridge.events import MarkPlaced, PedalTold, TicksDropped
from bridge.events_hand import HandsOff, TempoKept


@pytest.fixture
def ends() -> Iterator[tuple[Link, Link]]:
    one, other = Link.pair()
    yield one, other
    one.close()
    other.close()


def told(tempo: float, pedal: str = "long echo") -> PedalTold:
    """Return an order."""
    return PedalTold(at=1.25, pedal=pedal, deck="north", tempo=tempo, ratio=0.5, why="step")


def mark(text: str) -> MarkPlaced:
    """Return a mark."""
    return MarkPlaced(at=2.0, wall=1.7e9, text=text)


def all_of(link: Link, sender: Link) -> list[LinkMessage]:
    """Read until nothing more comes."""
    messages: list[LinkMessage] = []
    while True:
        sender.flush()
        more = link.receive()
        if not more and not sender.waiting:
            return messages
        messages += more


def test_what_is_sent_arrives_equal_and_in_order(ends):
    one, other = ends
    words = [Alive(), PortsGone(("Pedals A", "norð")), EndAsked("Ctrl-C")]
    sent = [told(83.99999999999999), mark("kettle — ‘steam’\nand rattle"), *words, told(84.1)]
    for message in sent:
        one.send(message)
    assert all_of(other, one) == sent
    assert not other.closed


def test_facts_are_numbered_and_the_reader_vouches_for_them(ends):
    one, other = ends
    assert [one.send(mark("a")), one.send(Alive()), one.send(mark("b"))] == [1, 0, 2]
    other.receive()
    other.vouch()
    assert one.receive() == [Alive(heard=2)]


def test_a_sign_of_life_comes_every_half_second_and_no_oftener(ends):
    one, other = ends
    for call in range(21):
        one.keep_alive(100.0 + call * ALIVE_EVERY_S / 10)
    assert all_of(other, one) == [Alive()] * 3


def test_sending_to_one_who_does_not_read_never_blocks_and_keeps_orders_and_words(ends):
    """What does not fit is dropped oldest first and counted; the newest order of each pedal and the end always pass."""
    one, other = ends
    count = 4 * WAITING_MAX
    began = time.perf_counter()
    for number in range(count):
        one.send(TicksDropped(at=float(number), port="Pedals A", count=1))
        if number % 100 == 0:
            one.send(told(20.0 + number % 300))
            one.send(told(21.0 + number % 300, pedal="short echo"))
            one.send(EndAsked(f"reason {number}"))
    assert time.perf_counter() - began < 5.0
    last = count - 1 - (count - 1) % 100
    received = all_of(other, one)
    facts = [message for message in received if isinstance(message, TicksDropped)]
    assert one.dropped > 0
    assert len(facts) + one.dropped == count
    assert facts[-1].at == count - 1
    assert [fact.at for fact in facts] == sorted(fact.at for fact in facts)
    newest = {message.pedal: message.tempo for message in received if isinstance(message, PedalTold)}
    assert newest == {"long echo": 20.0 + last % 300, "short echo": 21.0 + last % 300}
    assert [message for message in received if isinstance(message, EndAsked)][-1] == EndAsked(f"reason {last}")


def test_a_waiting_order_gives_way_to_a_newer_one_for_the_same_pedal(ends, monkeypatch):
    one, other = ends
    monkeypatch.setattr(one, "flush", lambda: None)
    for tempo in (80.0, 81.0, 82.0):
        one.send(told(tempo))
    monkeypatch.undo()
    assert all_of(other, one) == [told(82.0)]


def test_the_end_of_the_other_side_is_seen_after_its_last_words(ends):
    one, other = ends
    one.send(mark("last"))
    one.close()
    assert other.receive() == [mark("last")]
    assert not other.closed
    assert other.receive() == []
    assert other.closed
    assert other.why_closed == "the other side is gone"
    other.send(mark("into the void"))
    assert not other.waiting


@pytest.mark.parametrize(
    "line",
    [
        b"fog signal",
        b"[]",
        b"null",
        b'{"n":1,"fact":"Nothing"}',
        b'{"n":true,"word":"alive"}',
        b'{"word":"alive","heard":"x"}',
        b'{"word":"sing"}',
        b'{"n":1,"fact":"TicksDropped","at":NaN,"port":"A","count":1}',
        b"\xff\xfe",
        b"[" * 50_000,
        b"x" * (LINE_MAX + 1),
    ],
)
def test_what_is_no_message_closes_the_link_after_what_came_before(line):
    ours, theirs = socket.socketpair()
    link = Link(ours)
    theirs.setblocking(False)
    good = json.dumps({"word": "end", "why": "x"}).encode() + b"\n"
    rest, received = good + line + b"\n", []
    for _ in range(200):
        if rest:
            rest = rest[theirs.send(rest[:8192]) :]
        received += link.receive()
    theirs.close()
    assert received == [EndAsked("x")]
    assert link.closed
    assert "no message" in link.why_closed
    link.close()


def test_one_receive_takes_a_bounded_amount(ends):
    """A flood must not hold up the clocks."""
    one, other = ends
    for number in range(1000):
        one.send(mark(str(number)))
    assert 0 < len(other.receive()) <= link_module.READ_AT_ONCE // len('{"n":1,"fact":"MarkPlaced"}')


def echo(link: Link) -> None:
    """Send back what comes, until the other side is gone."""
    while not link.closed:
        for message in link.receive():
            link.send(message)
        time.sleep(0.005)


def test_a_link_reaches_into_a_spawned_process():
    ours, theirs = Link.pair()
    process = multiprocessing.get_context("spawn").Process(target=echo, args=(theirs,))
    process.start()
    theirs.close()
    try:
        ours.send(told(97.0))
        give_up, received = time.monotonic() + 20, []
        while not received and time.monotonic() < give_up:
            received = ours.receive()
            time.sleep(0.01)
        assert received == [told(97.0)]
    finally:
        ours.close()
        process.join(5)
    assert process.exitcode == 0


def test_what_stands_by_hand_comes_over_as_it_is(ends):
    one, other = ends
    standing = Standing((HandsOff(at=1.0, pedal="long echo"), TempoKept(at=2.0, deck="north")))
    assert one.send(standing) == 0
    assert other.receive() == [standing]
