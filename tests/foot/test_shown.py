"""What arrives, as lines to paste into a rig."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.foot.shown import SEEN_MAX, Shown
from bridge.rig_foot import Switch, Trigger
from bridge.rig_text import parse_rig

RIG = """\
[[decks]]
name = "north"
channels = [1]
[osc_in]
port = 9010
"""


def pasted(*texts: str) -> tuple[Switch, ...]:
    """The switches of a rig to which these lines were added."""
    return parse_rig("\n".join([RIG, *texts]), "rig.toml").switches


@pytest.mark.parametrize(
    ("data", "trigger"),
    [
        (b"\xb0\x40\x7f", Trigger(kind="cc", number=64)),
        (b"\x90\x3c\x40", Trigger(kind="note", number=60)),
        (b"\x80\x3c\x40", Trigger(kind="note", number=60)),
        (b"\xc0\x05", Trigger(kind="program", number=5)),
    ],
)
def test_a_message_is_a_table_that_a_rig_takes(data: bytes, trigger: Trigger) -> None:
    (switch,) = pasted(Shown().of_midi("Foot", data))
    assert (switch.port, switch.channel, switch.trigger) == ("Foot", 1, trigger)


def test_the_lines_are_those_that_the_example_rig_has() -> None:
    assert Shown().of_midi("Foot", b"\xb0\x40\x7f").splitlines() == [
        '# "Foot", channel 1, cc 64: 127',
        "[[switches]]",
        'name = "Foot cc 64 channel 1"',
        'port = "Foot"',
        "channel = 1",
        'trigger = "cc 64"',
        'press = "mark: cc 64"  # what it does: tapebridge do --help',
    ]


@given(
    port=st.text(min_size=1, max_size=20).filter(lambda name: name.isprintable() and name == name.strip()),
    status=st.sampled_from([0x80, 0x90, 0xB0, 0xC0]),
    channel=st.integers(0, 15),
    number=st.integers(0, 119),
    value=st.integers(0, 127),
)
def test_whatever_an_input_is_called_the_rig_reads_what_was_shown(
    port: str, status: int, channel: int, number: int, value: int
) -> None:
    data = bytes([status | channel, number] if status == 0xC0 else [status | channel, number, value])
    (switch,) = pasted(Shown().of_midi(port, data))
    assert switch.port == port
    assert switch.channel == channel + 1
    assert switch.trigger.number == number


def test_several_of_them_are_one_rig() -> None:
    shown = Shown()
    texts = [
        shown.of_midi("Foot", b"\xb0\x40\x7f"),
        shown.of_midi("Foot", b"\xb1\x40\x7f"),
        shown.of_midi("Keys", b"\xb0\x40\x7f"),
        shown.of_key("space"),
        shown.of_osc("/foot/left", (1.0,), "127.0.0.1"),
    ]
    switches = pasted(*texts)
    assert [switch.trigger.kind for switch in switches] == ["cc", "cc", "cc", "key", "osc"]
    assert switches[4].trigger.word == "/foot/left"
    assert (switches[3].port, switches[3].channel) == ("", None)


def test_what_was_shown_is_a_comment_from_then_on() -> None:
    shown = Shown()
    shown.of_midi("Foot", b"\xb0\x40\x7f")
    assert shown.of_midi("Foot", b"\xb0\x40\x00") == '# "Foot", channel 1, cc 64: 0'


def test_a_switch_that_the_rig_has_is_named() -> None:
    left = Switch(name="left", port="Foot", trigger=Trigger(kind="cc", number=64))
    assert Shown([left]).of_midi("Foot", b"\xb5\x40\x7f") == '# "Foot", channel 6, cc 64: 127: switch "left" of the rig'
    assert "[[switches]]" in Shown([left]).of_midi("Foot", b"\xb5\x41\x7f")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (Shown().of_midi("Foot", b"\xe0\x00\x40"), '"Foot" sent E0 00 40: no switch can be that'),
        (Shown().of_midi("Foot", b"\xb0\x7b\x00"), "cc 123: 0: no switch can be that: it has a control above 119"),
        (Shown().of_midi("Foot", b"\xf0" + b"\x01" * 500 + b"\xf7"), " ...: no switch can be that"),
        (Shown().of_osc("/a[b]", (), "10.0.0.7"), "osc /a[b] from 10.0.0.7: no switch can be that"),
        (Shown().of_osc("/a\nb = 1", ("x\n[y]" * 99, 1), "10.0.0.7"), "no switch can be that"),
        (Shown().of_osc("/tapebridge/1/do/tap", ("north",), "::1"), '"north" from ::1: an address of the bridge'),
    ],
)
def test_what_no_switch_can_be_is_one_line_of_comment(text: str, said: str) -> None:
    assert text.startswith("# ")
    assert text.isprintable()
    assert len(text) < 300
    assert said in text
    assert pasted(text) == ()


def test_what_is_remembered_is_bounded() -> None:
    shown = Shown()
    for number in range(SEEN_MAX + 1):
        shown.of_osc(f"/foot/{number}", (), "127.0.0.1")
    assert "[[switches]]" in shown.of_osc("/foot/1", (), "127.0.0.1")
    assert "[[switches]]" not in shown.of_osc("/foot/1", (), "127.0.0.1")
