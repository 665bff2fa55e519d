"""Switches and OSC in that cannot be as they are written, each told with its line and what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import RigError
from bridge.rig_text import read_rig

GOOD = """
[[decks]]
name = "north"
channels = [1]

[osc_in]
port = 9010

[[switches]]
name = "left"
port = "Foot"
trigger = "cc 64"
press = "keep: north"
"""


def read(tmp_path: Path, text: str):
    path = tmp_path / "foot.toml"
    path.write_text(text, encoding="utf-8")
    return read_rig(path)


def faults(tmp_path: Path, text: str) -> list[str]:
    with pytest.raises(RigError) as refusal:
        read(tmp_path, text)
    return [f"{fault.line} {fault.key} {fault.found}. {fault.remedy}" for fault in refusal.value.faults]


def test_a_good_one_is_read(tmp_path):
    [switch] = read(tmp_path, GOOD).switches
    assert (switch.name, switch.trigger.kind, switch.trigger.number, str(switch.press)) == (
        "left",
        "cc",
        64,
        "keep: north",
    )
    assert (switch.threshold, switch.hysteresis, switch.hold_s, switch.double_s) == (64, 16, 0.6, 0.35)


@pytest.mark.parametrize(
    ("line", "instead", "fault"),
    [
        ('trigger = "cc 64"', 'trigger = "cc 200"', 'switches[0].trigger = "cc 200" has a control above 119'),
        ('trigger = "cc 64"', 'trigger = "pedal 3"', 'switches[0].trigger = "pedal 3" is nothing that a switch sends'),
        ('trigger = "cc 64"', 'trigger = "key f13"', "names a key that cannot be a switch"),
        ('port = "Foot"\n', "", "switches[0].port is missing"),
        ('press = "keep: north"', "", "switches[0] does nothing"),
        ('press = "keep: north"', 'press = "fly: north"', "begins with no known verb"),
        ('press = "keep: north"', 'press = "keep: east"', 'there is no deck called "east"'),
        ('press = "keep: north"', 'press = "tap: north"\nhold = "all quiet"', "is on a switch that taps"),
        ('press = "keep: north"', 'press = "tap: north"\ndouble = "all quiet"', "is on a switch that taps"),
        ('press = "keep: north"', 'press = "keep: north"\nhysteresis = 64', "leaves no value at which it is released"),
        ('trigger = "cc 64"', 'trigger = "program 3"\nhold = "all quiet"', "a program has no release"),
        ("port = 9010", 'port = 9010\nallow = ["clear"]', "osc_in.allow"),
        ("port = 9010", "port = 70000", "osc_in.port"),
        (
            "[osc_in]\nport = 9010\n",
            '[[switches]]\nname = "osc"\ntrigger = "osc /foot/left"\npress = "all quiet"\n',
            "can never come: the rig has no table [osc_in]",
        ),
    ],
)
def test_one_fault_is_told(tmp_path, line, instead, fault):
    assert line in GOOD
    [found] = faults(tmp_path, GOOD.replace(line, instead))
    assert fault in found


def test_two_switches_of_one_message_are_told_with_both_lines(tmp_path):
    again = '[[switches]]\nname = "right"\nport = "Foot"\ntrigger = "cc 64"\nchannel = 2\npress = "all quiet"\n'
    [found] = faults(tmp_path, GOOD + again)
    assert found.startswith('17 switches[1].trigger = "cc 64" is another switch already, in line 12')
