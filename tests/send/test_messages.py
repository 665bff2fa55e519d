"""The bytes are the standards'."""

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import build_msg

from bridge.edge.midi import split
from bridge.send import messages
from tests.strict_midi import Heard, NotMidiError, StrictParser, parse

CHANNELS, SEVEN, FOURTEEN = st.integers(1, 16), st.integers(0, 127), st.integers(0, 16383)


@pytest.mark.parametrize(
    ("ours", "byte", "theirs"),
    [
        (messages.CLOCK, 0xF8, "clock"),
        (messages.START, 0xFA, "start"),
        (messages.CONTINUE, 0xFB, "continue"),
        (messages.STOP, 0xFC, "stop"),
    ],
)
def test_real_time_messages_are_the_bytes_of_the_standard(ours, byte, theirs):
    """MIDI 1.0 Detailed Specification, System Real Time Messages; mido agrees."""
    assert ours == bytes([byte]) == bytes(mido.Message(theirs).bytes())


def test_the_song_position_of_a_published_example():
    """Position 10 is F2 0A 00: 60 clocks, 240 ticks at 96 a quarter (IEEE Computer Society Press tutorial, 1995)."""
    assert messages.song_position(10) == bytes.fromhex("f20a00")
    assert 10 * messages.TICKS_PER_SIXTEENTH == 60


@given(position=FOURTEEN)
def test_every_song_position_is_what_mido_reads(position):
    assert mido.Message.from_bytes(messages.song_position(position)) == mido.Message("songpos", pos=position)


@given(channel=CHANNELS, number=SEVEN, value=st.integers(1, 127))
def test_channel_messages_are_what_mido_reads(channel, number, value):
    at = {"channel": channel - 1}
    read = mido.Message.from_bytes
    assert read(messages.note_on(channel, number, value)) == mido.Message("note_on", note=number, velocity=value, **at)
    assert read(messages.note_off(channel, number)) == mido.Message("note_off", note=number, velocity=64, **at)
    assert read(messages.program_change(channel, number)) == mido.Message("program_change", program=number, **at)
    if number < 120:
        change = mido.Message("control_change", control=number, value=value, **at)
        assert read(messages.control_change(channel, number, value)) == change


class Receiver:
    """A pedal that keeps controllers of 14 bits and non-registered parameters, as the standard has it.

    A coarse half clears the fine one. Source: MIDI 1.0 Detailed Specification, Control Change and Registered and
    Non-Registered Parameter Numbers.
    """

    def __init__(self):
        self.controls = {}
        self.parameters = {}
        self.seen = []

    def take(self, heard):
        assert heard.kind == "control"
        number, value = heard.data
        if number < 32:
            self.controls[number], self.controls[number + 32] = value, 0
        else:
            self.controls[number] = value
        if number in (6, 38) and 99 in self.controls:
            parameter = self.controls[99] << 7 | self.controls[98]
            self.parameters[parameter] = self.controls[6] << 7 | self.controls[38]


@given(channel=CHANNELS, controller=st.integers(0, 31), value=FOURTEEN)
def test_a_controller_of_14_bits_arrives_whole(channel, controller, value):
    receiver, heard = Receiver(), parse(messages.control_change_14(channel, controller, value))
    assert [message.channel for message in heard] == [channel] * 2
    for message in heard:
        receiver.take(message)
    assert receiver.controls[controller] << 7 | receiver.controls[controller + 32] == value


@given(channel=CHANNELS, parameter=FOURTEEN, value=FOURTEEN)
def test_a_non_registered_parameter_arrives_whole(channel, parameter, value):
    receiver, heard = Receiver(), parse(messages.nrpn(channel, parameter, value))
    assert [message.data[0] for message in heard] == [99, 98, 6, 38]
    for message in heard:
        receiver.take(message)
    assert receiver.parameters == {parameter: value}


@given(parameter=FOURTEEN, value=FOURTEEN)
def test_a_group_comes_apart_into_its_messages(parameter, value):
    group = messages.nrpn(3, parameter, value)
    parts = list(split(group))
    assert [len(part) for part in parts] == [3] * 4
    assert b"".join(parts) == group
    assert list(split(messages.CLOCK)) == [messages.CLOCK]


@pytest.mark.parametrize(
    ("build", "says"),
    [
        (lambda: messages.note_on(0, 60), "channel must be 1..16, got 0"),
        (lambda: messages.note_on(17, 60), "channel must be 1..16"),
        (lambda: messages.note_on(1, 128), "note must be 0..127"),
        (lambda: messages.note_on(1, 60, 0), "velocity must be 1..127"),
        (lambda: messages.control_change(1, 120, 0), "controller must be 0..119"),
        (lambda: messages.control_change_14(1, 32, 0), "14 bits must be 0..31"),
        (lambda: messages.control_change_14(1, 1, 16384), "value must be 0..16383"),
        (lambda: messages.nrpn(1, 16384, 0), "parameter must be 0..16383"),
        (lambda: messages.song_position(16384), "song position must be 0..16383"),
        (lambda: messages.program_change(1, -1), "program must be 0..127"),
        (lambda: messages.osc_message("tap"), "behind a slash"),
        (lambda: messages.osc_message("/t\u00e4p"), "printable ASCII"),
        (lambda: messages.osc_message("/tap", 2**31), "does not fit 32 bits"),
        (lambda: messages.osc_message("/tap", 1e40), "does not fit 32 bits"),
        (lambda: messages.osc_message("/tap", "a\0b"), "zero byte"),
        (lambda: messages.osc_message("/tap", "\u00e4"), "is ASCII"),
    ],
)
def test_what_has_no_bytes_is_refused(build, says):
    with pytest.raises(ValueError, match=says):
        build()


@pytest.mark.parametrize(
    ("address", "values", "data"),
    [
        ("/oscillator/4/frequency", (440.0,), "2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000"),
        (
            "/foo",
            (1000, -1, "hello", 1.234, 5.678),
            "2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d",
        ),
    ],
)
def test_osc_messages_are_those_of_the_specification(address, values, data):
    """Open Sound Control 1.0 Specification, examples page, 2002."""
    assert messages.osc_message(address, *values).hex() == data


TEXT = st.text(st.characters(min_codepoint=1, max_codepoint=127), max_size=12)
WHOLE_NUMBERS = st.integers(1 - 2**31, 2**31 - 1)  # the library sends -2**31 in 64 bits, which OSC 1.0 need not know
VALUES = st.lists(WHOLE_NUMBERS | st.floats(width=32, allow_nan=False) | TEXT, max_size=6)


@given(name=st.text("abc/-_.1", max_size=12), values=VALUES)
def test_osc_messages_are_what_a_library_writes_and_reads(name, values):
    data = messages.osc_message(f"/{name}", *values)
    assert data == build_msg(f"/{name}", values).dgram
    assert len(data) % 4 == 0
    assert OscMessage(data).params == values


def test_the_strict_parser_finds_clocks_inside_other_messages():
    """A real-time byte may fall between any two bytes and leaves running status alone (MIDI 1.0, Data Format)."""
    heard = parse(bytes.fromhex("90 f8 3c f8 40 f8 3c 00 f2 0a fa 00"))
    assert heard == [
        Heard("clock", inside=True),
        Heard("clock", inside=True),
        Heard("note on", (0x3C, 0x40), 1),
        Heard("clock"),
        Heard("note on", (0x3C, 0), 1),
        Heard("start", inside=True),
        Heard("song position", (10, 0)),
    ]


@pytest.mark.parametrize(
    ("stream", "says"),
    [
        ("3c 40", "without a status"),
        ("90 3c 80", "cuts 90 3c short"),
        ("90 3c", "ends inside"),
        ("f9", "undefined"),
        ("f4", "undefined"),
        ("f7", "undefined here"),
        ("f2 01 02 03", "without a status"),  # system common ends running status
        ("f0 01", "ends inside"),
    ],
)
def test_the_strict_parser_forgives_nothing(stream, says):
    with pytest.raises(NotMidiError, match=says):
        parse(bytes.fromhex(stream))


WHOLE = st.one_of(
    st.builds(messages.note_on, CHANNELS, SEVEN, st.integers(1, 127)),
    st.builds(messages.note_off, CHANNELS, SEVEN),
    st.builds(messages.control_change, CHANNELS, st.integers(0, 119), SEVEN),
    st.builds(messages.program_change, CHANNELS, SEVEN),
    st.builds(messages.song_position, FOURTEEN),
)


@given(whole=st.lists(WHOLE, max_size=8), clocks=st.lists(st.integers(0, 30), max_size=8))
def test_clocks_anywhere_in_a_stream_are_told_from_the_rest(whole, clocks):
    """Mido's stream parser loses notes there: it gets the messages whole, and reads the same."""
    stream = bytearray(b"".join(whole))
    for place in clocks:
        stream.insert(min(place, len(stream)), 0xF8)
    heard = StrictParser().feed(bytes(stream)).end()
    assert sum(message.kind == "clock" for message in heard) == len(clocks)
    rest = [message for message in heard if message.kind != "clock"]
    assert len(rest) == len(whole)
    for message, data in zip(rest, whole, strict=True):
        read = mido.Message.from_bytes(data).bytes()
        assert list(message.data) == read[1:]
