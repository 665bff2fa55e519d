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


LOOPERS = """
[[decks]]
name = "north"
channels = [1]

[[pedals]]
name = "loop box"
port = "Pedals A"
listens_to = "north"

[[loopers]]
name = "loop box"
port = "Pedals A"
listens_to = "north"
pedal = "loop box"
[loopers.record]
messages = ["cc 80 127"]
[loopers.play]
messages = ["cc 81 127"]

[[cues]]
name = "horns"
when = "north starts"
does = ["arm: loop box"]

[[lamps]]
shows = "armed: loop box"
port = "Lights"
on = ["cc 1 127"]
off = ["cc 1 0"]
"""

SECOND = """
[[loopers]]
name = "other box"
port = "Pedals A"
listens_to = "north"
[loopers.record]
messages = ["cc 80 127"]
[loopers.stop]
messages = ["cc 90 127"]
"""


def test_loopers_cues_and_lamps_are_read(tmp_path):
    rig = read(tmp_path, LOOPERS + SECOND.replace("cc 80", "cc 89"))
    assert [looper.name for looper in rig.loopers] == ["loop box", "other box"]
    assert rig.cues[0].trigger.deck == "north"
    assert (rig.lamps[0].shows, rig.lamps[0].of) == ("armed", "loop box")


@pytest.mark.parametrize(
    ("line", "instead", "fault"),
    [
        ('[loopers.play]\nmessages = ["cc 81 127"]\n', "", "loopers[0] has nothing that closes a recording"),
        ('"cc 81 127"', '"cc 81 200"', "has a value above 127"),
        ('"cc 81 127"', '"osc /loop/play"', "the rig has no table [osc]"),
        ('pedal = "loop box"', 'pedal = "loop bx"', 'is no pedal of this rig. Did you mean "loop box"?'),
        ('pedal = "loop box"', 'starts_on = "now"\nbars = 2', "counts bars of a beat, but starts_on is now"),
        ('pedal = "loop box"', 'starts_on = "soon"', "is no moment on the beat"),
        ('when = "north starts"', 'when = "west starts"', "is no deck of this rig"),
        ('when = "north starts"', 'when = "at noon"', "is no moment that the bridge knows"),
        ('does = ["arm: loop box"]', "", "cues[0] does nothing"),
        ('does = ["arm: loop box"]', 'does = ["cue: horns"]', "fires a cue from a cue"),
        ('does = ["arm: loop box"]', 'does = ["clear: loop box"]', "the looper has no table [loopers.clear]"),
        ('does = ["arm: loop box"]', 'messages = ["program 5"]', "cues[0].port is missing"),
        ('shows = "armed: loop box"', 'shows = "glow: loop box"', "begins with nothing that a lamp shows"),
        ('shows = "armed: loop box"', 'shows = "beat: loop box"', "is no deck of this rig"),
        ('on = ["cc 1 127"]', 'on = ["osc /lamp 1"]', "is OSC, and a lamp has a MIDI port"),
    ],
)
def test_one_fault_of_loopers_cues_and_lamps_is_told(tmp_path, line, instead, fault):
    assert line in LOOPERS
    [told] = faults(tmp_path, LOOPERS.replace(line, instead, 1))
    assert fault in told


def test_a_message_that_two_loopers_take_is_told_with_both_places(tmp_path):
    [told] = faults(tmp_path, LOOPERS + SECOND)
    assert told.startswith('37 loopers[1].record.messages has "cc 80 127", which looper "loop box" has in line 17')


def test_a_bridge_that_would_hear_its_own_osc_is_told(tmp_path):
    [told] = faults(tmp_path, LOOPERS + "[osc]\nport = 9010\n[osc_in]\nport = 9010\n")
    assert "the bridge would hear itself" in told


def test_a_cue_sheet_beside_the_rig_is_read_and_its_faults_are_told_with_its_own_lines(tmp_path):
    head, _, rest = LOOPERS.partition("[[cues]]")
    text = 'cue_sheet = "night.toml"\n' + head + "[[lamps]]" + rest.partition("[[lamps]]")[2]
    (tmp_path / "night.toml").write_text('[[cues]]\nname = "rain"\nwhen = "at 1:30"\ndoes = ["mark: rain"]\n')
    rig = read(tmp_path, text)
    assert ([cue.name for cue in rig.cues], rig.cue_sheet) == (["rain"], "night.toml")
    (tmp_path / "night.toml").write_text('[[cues]]\nname = "rain"\nwhen = "soon"\ndoes = ["mark: rain"]\n')
    with pytest.raises(RigError) as refusal:
        read(tmp_path, text)
    [fault] = refusal.value.faults
    assert (fault.path, fault.line, fault.key) == (str(tmp_path / "night.toml"), 3, "cues[0].when")
    for sheet, words in (("../night.toml", "no plain file name"), ("absent.toml", "cannot be read")):
        [told] = faults(tmp_path, text.replace("night.toml", sheet))
        assert words in told
    [told] = faults(tmp_path, 'cue_sheet = "night.toml"\n' + LOOPERS)
    assert "is there beside [[cues]]" in told
