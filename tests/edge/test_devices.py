"""What is plugged in, and what of a rig is not: each fault with its line, and every one at once."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from bridge.edge import devices
from bridge.edge.devices import Gear, check_gear, resolve_device, rig_against_gear
from bridge.edge.plugged import Place
from bridge.edge.portaudio import SoundDevice
from bridge.errors import DeviceError, RigError
from bridge.journal.take import check_space
from bridge.rig_text import parse_rig
from bridge.toml_lines import key_lines


def device(name: str, *, api: str = "ALSA", channels: int = 2, is_default: bool = False) -> SoundDevice:
    return SoundDevice(index=0, name=name, api=api, channels=channels, rate=48_000, is_default=is_default)


DECKS, DECKS_JACK = device("Deck interface", channels=4), device("Deck interface", api="JACK")
BUILT_IN, DECK_2 = device("Built-in", is_default=True), device("Deck interface 2")


def takes_48k_only(_device: SoundDevice, _channels: int, rate: int) -> str:
    return "" if rate == 48_000 else "Invalid sample rate"


def gear(
    sound: Sequence[SoundDevice] | DeviceError = (DECKS, BUILT_IN),
    midi: Sequence[str] | DeviceError = ("Pedals A", "Pedals B"),
    has_virtual: bool = True,
    midi_in: Sequence[str] | DeviceError = ("Foot", "Keys 1", "Keys 2"),
) -> Gear:
    return Gear(sound=sound, midi=midi, refusal=takes_48k_only, has_virtual=has_virtual, midi_in=midi_in)


def faults(text: str, plugged_in: Gear) -> list[tuple[int | None, str, str]]:
    found = rig_against_gear(parse_rig(text, "rig.toml"), key_lines(text), plugged_in)
    return [(fault.line, fault.key, str(fault)) for fault in found]


@pytest.mark.parametrize(
    ("name", "present", "meant"),
    [
        ("Deck interface", (DECKS, DECK_2), DECKS),
        ("deck INTERFACE", (DECKS, DECK_2), DECKS),
        ("Deck interface, JACK", (DECKS, DECKS_JACK), DECKS_JACK),
        ("face 2", (DECKS, DECK_2), DECK_2),
        ("jack", (DECKS, DECKS_JACK), DECKS_JACK),
        (None, (DECKS, BUILT_IN), BUILT_IN),
    ],
)
def test_a_device_is_meant_by_its_name_or_a_part_that_no_other_has(
    name: str | None, present: tuple[SoundDevice, ...], meant: SoundDevice
) -> None:
    assert resolve_device(name, present) is meant


@pytest.mark.parametrize(
    ("name", "present", "said"),
    [
        ("Deck", (DECKS, DECK_2, BUILT_IN), '"Deck" matches 2 sound inputs: "Deck interface, ALSA", "Deck interface 2'),
        ("Deck interface", (DECKS, DECKS_JACK), '2 sound inputs: "Deck interface, ALSA", "Deck interface, JACK". Name'),
        ("kettle", (DECKS,), '"kettle" matches no sound input. Present now: "Deck interface, ALSA". Plug it in'),
        ("kettle", (), "Present now: none"),
        (None, (DECKS,), 'the system\'s default input matches no sound input. Present now: "Deck interface, ALSA"'),
    ],
)
def test_a_device_that_is_absent_or_ambiguous_is_refused_with_what_there_is(
    name: str | None, present: tuple[SoundDevice, ...], said: str
) -> None:
    with pytest.raises(DeviceError) as refusal:
        resolve_device(name, present)
    assert said in str(refusal.value)


RIG = """\
[sound]
device = "Deck interface"
rate = 48000
[[decks]]
name = "north"
channels = [
  1,
  4,
]
[[pedals]]
name = "long echo"
port = "Pedals A"
listens_to = "north"
[midi]
virtual = []
"""


def test_a_rig_whose_gear_is_there_has_no_faults() -> None:
    assert faults(RIG, gear()) == []


def test_a_port_that_the_bridge_makes_itself_needs_no_gear() -> None:
    assert faults(RIG.replace("virtual = []", 'virtual = ["Pedals A"]'), gear(midi=())) == []


BROKEN: list[tuple[str, Gear, int | None, str, list[str]]] = [
    (
        RIG,
        gear(sound=(BUILT_IN,)),
        2,
        "sound.device",
        ['= "Deck interface" matches no sound input', '"Built-in, ALSA"'],
    ),
    (RIG, gear(sound=(DECKS, DECKS_JACK)), 2, "sound.device", ["matches 2 sound inputs", "Name one of them in full"]),
    (RIG.replace("  4", "  5"), gear(), 8, "decks[0].channels[1]", ["= 5 is not on", "which has 4 inputs"]),
    (
        RIG.replace("]\n[[ped", "]\ndry = [2, 5]\n[[ped"),
        gear(),
        10,
        "decks[0].dry[1]",
        ["= 5 is not on", "has 4 inputs"],
    ),
    (RIG.replace("48000", "96000"), gear(), 3, "sound.rate", ["= 96000 is refused", "Invalid", "Write 48000"]),
    (RIG.split("\n", 3)[3], gear(sound=(DECKS,)), None, "sound.device", ["default input matches no sound input"]),
    (RIG, gear(sound=DeviceError("No PortAudio. Get it.")), 2, "sound.device", ["cannot be looked for: No PortAudio"]),
    (RIG, gear(midi=()), 12, "pedals[0].port", ['= "Pedals A" matches no MIDI output', "Present now: none"]),
    (RIG.replace("Pedals A", "Pedals"), gear(), 12, "pedals[0].port", ['2 MIDI outputs: "Pedals A", "Pedals B"']),
    (RIG, gear(midi=DeviceError("No MIDI. Get it.")), 14, "midi.api", ["cannot be used: No MIDI. Get it"]),
    (RIG.replace("[]", '["Pedals A"]'), gear(has_virtual=False), 15, "midi.virtual", ["no program make MIDI ports"]),
]


SWITCHES = """\
[[switches]]
name = "left"
port = "Foot"
trigger = "cc 64"
press = "tap: north"
[[switches]]
name = "space"
trigger = "key space"
press = "keep: north"
"""

BROKEN += [
    (RIG + SWITCHES, gear(midi_in=()), 18, "switches[0].port", ['= "Foot" matches no MIDI input', "tapebridge ports"]),
    (
        RIG + SWITCHES.replace("Foot", "Keys"),
        gear(),
        18,
        "switches[0].port",
        ['2 MIDI inputs: "Keys 1", "Keys 2"', "Name one of them in full"],
    ),
    (RIG + SWITCHES, gear(midi_in=DeviceError("No MIDI. Get it.")), 14, "midi.api", ["cannot be used: No MIDI"]),
    (
        RIG + SWITCHES,
        gear(midi=DeviceError("No MIDI. Get it."), midi_in=DeviceError("No MIDI in.")),
        14,
        "midi.api",
        ["No MIDI. Get it"],
    ),
]


LAMP = """\
[[lamps]]
shows = "beat: north"
port = "NAME"
on = ["cc 1 127"]
off = ["cc 1 0"]
"""

BROKEN += [
    (RIG + LAMP.replace("NAME", "Z"), gear(), 18, "lamps[0].port", ['= "Z" matches no MIDI output']),
    (RIG + LAMP.replace("NAME", "als A"), gear(), 18, "lamps[0].port", ['as "Pedals A"', 'Call it "Pedals A" here']),
]


def test_a_lamp_on_an_output_of_its_own_or_by_the_name_that_a_pedal_gives_it_has_no_faults() -> None:
    for name in ("Pedals A", "Pedals B"):
        assert faults(RIG + LAMP.replace("NAME", name), gear()) == []


def test_switches_whose_input_is_there_have_no_faults() -> None:
    assert faults(RIG + SWITCHES, gear()) == []
    assert faults(RIG + SWITCHES.split("[[switches]]")[2].join(("[[switches]]", "")), gear(midi_in=())) == []


@pytest.mark.parametrize(("text", "plugged_in", "line", "key", "said"), BROKEN)
def test_what_is_absent_or_does_not_fit_is_told_with_its_line(
    text: str, plugged_in: Gear, line: int | None, key: str, said: list[str]
) -> None:
    ((found_line, found_key, found),) = faults(text, plugged_in)
    assert (found_line, found_key) == (line, key)
    for words in said:
        assert words in found


def test_a_device_that_another_program_holds_is_told() -> None:
    held = Gear(sound=(DECKS,), midi=("Pedals A",), refusal=lambda *_: "Device unavailable")
    ((line, key, found),) = faults(RIG, held)
    assert (line, key) == (2, "sound.device")
    assert "says Device unavailable. See that no other program holds it" in found


def test_two_names_of_one_output_are_two_clocks_on_one_port() -> None:
    """What the text alone cannot tell: that both names mean the same output."""
    more = '[[pedals]]\nname = "stutter"\nport = "als A"\nlistens_to = "north"\n'
    assert faults(RIG + more, gear()) == []
    ((line, key, found),) = faults(RIG + more + 'ratio = "1/2"\n', gear())
    assert (line, key) == (18, "pedals[1].port")
    assert '"als A" is the same output as "Pedals A" of "long echo"' in found


def test_everything_that_is_missing_is_told_at_once_in_the_order_of_lines() -> None:
    text = RIG.replace("Deck interface", "kettle").replace("Pedals A", "Pedals Z")
    assert [(line, key) for line, key, _ in faults(text, gear())] == [(2, "sound.device"), (12, "pedals[0].port")]


def test_a_folder_that_takes_no_takes_is_told_with_its_line_beside_what_is_missing(tmp_path: Path) -> None:
    """A file stands in its place; `run` would refuse it, too."""
    folder = tmp_path / "takes"
    text = f"{RIG}[take]\nfolder = {str(folder)!r}\n"
    rig, lines = parse_rig(text, "rig.toml"), key_lines(text)
    assert rig_against_gear(rig, lines, gear(), check_space) == []
    folder.touch()
    absent, full = rig_against_gear(rig, lines, gear(midi=()), check_space)
    assert absent.key == "pedals[0].port"
    assert (full.line, full.key) == (17, "take.folder")
    assert full.found.startswith(f"= {folder}: takes cannot be written there: ")
    assert full.remedy == "Name a folder that you may write to, under take.folder in the rig"


def test_a_rig_is_checked_against_what_is_plugged_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    rig = parse_rig(RIG, str(path))
    monkeypatch.setattr(devices, "list_gear", lambda _api: gear())
    check_gear(rig)
    monkeypatch.setattr(devices, "list_gear", lambda _api: gear(sound=(), midi=()))
    with pytest.raises(RigError) as refusal:
        check_gear(rig)
    assert [fault.line for fault in refusal.value.faults] == [2, 12]


def test_what_is_plugged_in_reads_as_lines_and_as_plain_values() -> None:
    assert gear(sound=(BUILT_IN,)).as_text() == (
        "Sound inputs\n"
        '  "Built-in, ALSA": 2 inputs, 48000 frames/s (takes 48000), the default\n'
        "MIDI outputs\n"
        '  "Pedals A"\n'
        '  "Pedals B"\n'
        "MIDI inputs\n"
        '  "Foot"\n'
        '  "Keys 1"\n'
        '  "Keys 2"'
    )
    assert gear(sound=(), midi=DeviceError("No MIDI. Get it."), midi_in=("Foot",)).as_dict() == {
        "sound": [],
        "sound_error": None,
        "midi": [],
        "midi_error": "No MIDI. Get it.",
        "midi_inputs": [{"name": "Foot", "path": None, "serial": None}],
        "midi_inputs_error": None,
    }
    nothing = gear(sound=(), midi=(), midi_in=DeviceError("No MIDI. Get it."))
    assert nothing.as_text().endswith("MIDI outputs\n  none\nMIDI inputs\n  No MIDI. Get it.")
    assert nothing.as_dict()["midi_inputs_error"] == "No MIDI. Get it."


WITHOUT_PORTAUDIO = """
import ctypes.util, sys
ctypes.util.find_library = lambda name: None  # as where the shared library is not installed
from bridge.edge.audio import open_input
from bridge.edge.devices import list_gear
from bridge.errors import DeviceError
from bridge.rig import SoundInput
print(list_gear().as_dict()["sound_error"])
try:
    open_input(SoundInput(), 1)
except DeviceError as error:
    print(error)
"""


def test_without_portaudio_it_says_which_package_to_install() -> None:
    done = subprocess.run([sys.executable, "-c", WITHOUT_PORTAUDIO], capture_output=True, text=True, check=True)
    assert done.stdout.count("apt-get install libportaudio2") == 2


def test_midi_outputs_are_listed_with_what_tells_them_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    places = {"Pedals 20:0": Place("1-2", "FERRY-7"), "Pedals 24:0": Place()}
    monkeypatch.setattr(devices, "place_of", places.__getitem__)
    listed = gear(sound=(), midi=tuple(places), midi_in=())
    assert listed.as_dict()["midi"] == [
        {"name": "Pedals 20:0", "path": "1-2", "serial": "FERRY-7"},
        {"name": "Pedals 24:0", "path": None, "serial": None},
    ]
    assert '"Pedals 20:0" (path 1-2, serial FERRY-7)\n  "Pedals 24:0"' in listed.as_text()
