"""The short texts of a rig: messages, triggers, moments."""

from __future__ import annotations

import pytest

from bridge.rig_foot import CueTrigger, Trigger, Wire
from bridge.rig_foot_words import moment_of, starts_of, trigger_of, trigger_text, wire_of


@pytest.mark.parametrize(
    ("text", "wire"),
    [
        ("cc 80 127", Wire("cc", 80, 127)),
        ("note 36 100", Wire("note", 36, 100)),
        ("note  off 36", Wire("note off", 36)),
        ("program 5", Wire("program", 5)),
        ("start", Wire("start")),
        ("stop", Wire("stop")),
        ("continue", Wire("continue")),
        ("sysex F0 7d 01 F7", Wire("sysex", data=b"\xf0\x7d\x01\xf7")),
        ("osc /loop/record 1 0.5 on", Wire("osc", address="/loop/record", arguments=(1, 0.5, "on"))),
    ],
)
def test_a_message_is_read(text: str, wire: Wire) -> None:
    assert wire_of(text) == wire


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("cc 80 200", "a value above 127"),
        ("cc 120 1", "a control above 119"),
        ("note 36 0", "a velocity below 1"),
        ("note 128 1", "a note above 127"),
        ("program -1", "a program that is no whole number"),
        ("cc 80", "is no message"),
        ("", "is no message"),
        ("sysex F0 80 F7", "is no System Exclusive"),
        ("sysex F0 7 F7", "two hexadecimal digits"),
        ("osc loop", "no OSC address"),
        ("osc /loop/*", "no OSC address"),
    ],
)
def test_what_is_no_message_is_refused(text: str, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        wire_of(text)


@pytest.mark.parametrize("text", ["cc 64", "note 60", "program 3", "key space", "key x", "osc /foot/left"])
def test_a_trigger_is_read_and_written_again(text: str) -> None:
    trigger = trigger_of(text)
    assert trigger_text(trigger.kind, trigger.number, trigger.word) == text


def test_triggers_hold_numbers_or_words() -> None:
    assert trigger_of("cc 64") == Trigger(kind="cc", number=64)
    assert trigger_of("key space") == Trigger(kind="key", word="space")


@pytest.mark.parametrize("text", ["cc", "cc 120", "key F13", "key ctrl-c", "clock", "osc foot", "note 128"])
def test_what_no_switch_sends_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"[a-z]"):
        trigger_of(text)


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("at 12:30", CueTrigger(when="time", seconds=750.0)),
        ("at 1:02:03", CueTrigger(when="time", seconds=3723.0)),
        ("at 90:00", CueTrigger(when="time", seconds=5400.0)),
        ("4 bars after the rain on north", CueTrigger(when="bars after mark", bars=4, mark="the rain", deck="north")),
        ("1 bar after x on y on z", CueTrigger(when="bars after mark", bars=1, mark="x on y", deck="z")),
        ("north starts", CueTrigger(when="starts", deck="north")),
        ("north stops", CueTrigger(when="stops", deck="north")),
        ("beat returns on north", CueTrigger(when="beat returns", deck="north")),
        ("north above 90.5", CueTrigger(when="above", deck="north", tempo=90.5)),
        ("north below 70", CueTrigger(when="below", deck="north", tempo=70.0)),
        ("by hand", CueTrigger(when="by hand")),
    ],
)
def test_a_moment_is_read(text: str, moment: CueTrigger) -> None:
    assert moment_of(text) == moment


@pytest.mark.parametrize(
    "text", ["at 12:60", "at 1:60:00", "at noon", "north above 9", "north above 1.2.3", "north", "5 bars on north", ""]
)
def test_what_is_no_moment_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"[a-z]"):
        moment_of(text)


def test_a_looper_starts_now_on_beats_or_on_bars() -> None:
    assert [starts_of(text) for text in ("now", "beat", "bar", "2 beats", "64 beats")] == [0, 1, -1, 2, 64]
    for text in ("1 beats", "65 beats", "0 beats", "two beats", "bars"):
        with pytest.raises(ValueError, match=r"[a-z]"):
            starts_of(text)
