"""Keys of a terminal, from their bytes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.foot.typed import ESCAPE_S, REPEAT_S, Typed
from bridge.rig_foot_words import KEYS

SENDS = {
    "space": b" ",
    "enter": b"\r",
    "tab": b"\t",
    "escape": b"\x1b",
    "backspace": b"\x7f",
    "up": b"\x1b[A",
    "down": b"\x1b[B",
    "right": b"\x1b[C",
    "left": b"\x1b[D",
}
"""What terminals send. Source: common practice of terminals (ECMA-48: CSI is ESC [)."""


def pressed(*reads: bytes, every_s: float = 0.0) -> list[str]:
    """What is told of these reads, and of the time after them."""
    typed = Typed()
    keys = [key for index, data in enumerate(reads) for key in typed.feed(data, index * every_s)]
    return keys + typed.due(1e6)


@pytest.mark.parametrize("key", KEYS)
def test_every_key_that_a_rig_may_name_can_be_told(key: str) -> None:
    assert pressed(SENDS.get(key, key.encode())) == [key]


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        (b"A", ["a"]),
        (b"\n", ["enter"]),
        (b"\x08", ["backspace"]),
        (b"\x1bOA", ["up"]),  # cursor keys in application mode
        (b"\x1b[1;5C", ["right"]),  # with control
        (b"\x1b[3~", []),  # delete
        (b"\x1b[15~x", ["x"]),  # F5, then x
        (b"\x1bx", ["escape", "x"]),
        (b"\x1b\x1b[A", ["escape", "up"]),
        ("ü☂".encode(), []),
        (b"\x00\x01", []),
        (b"ab\x1b[Ac", ["a", "b", "up", "c"]),
        (b"\x1b[" + b"0" * 100 + b"x", ["escape", "0", "x"]),
    ],
)
def test_what_other_keys_send_is_told_as_the_key_that_it_is_or_not_at_all(sent: bytes, told: list[str]) -> None:
    assert pressed(sent) == told


def test_an_escape_is_told_once_nothing_followed_it() -> None:
    typed = Typed()
    assert typed.feed(b"\x1b", 5.0) == []
    assert typed.next_due() == 5.0 + ESCAPE_S
    assert typed.due(5.0 + ESCAPE_S / 2) == []
    assert typed.due(5.0 + ESCAPE_S) == ["escape"]
    assert typed.feed(b"[A", 5.1) == ["a"]  # too late to be an arrow


def test_an_arrow_in_two_reads_is_one_key() -> None:
    assert pressed(b"\x1b", b"[", b"A", every_s=ESCAPE_S / 10) == ["up"]


def test_a_key_that_is_held_down_is_told_once() -> None:
    assert pressed(*[b"x"] * 20, every_s=REPEAT_S / 2) == ["x"]
    assert pressed(*[b"x"] * 3, every_s=REPEAT_S * 1.01) == ["x"] * 3
    assert pressed(b"x", b"y", b"x", every_s=REPEAT_S / 2) == ["x", "y", "x"]


@given(
    data=st.lists(st.sampled_from([*SENDS.values(), b"a", b"[", b"O", b"\x1b[3~", b"\xff", b"7"])).map(b"".join),
    cut=st.integers(0, 60),
)
def test_it_does_not_matter_how_the_bytes_are_cut(data: bytes, cut: int) -> None:
    assert pressed(data[:cut], data[cut:]) == pressed(data)
