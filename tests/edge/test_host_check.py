"""What of a machine may disturb a set, from made-up system folders laid out as Linux has them."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from bridge.edge.host_check import warnings
from bridge.edge.priority import Granted

ALL = Granted(priority="real time", timer="1 ns", memory="locked")


def write(root: Path, **files: str) -> None:
    """Write files by their paths, with two underscores for a slash."""
    for name, text in files.items():
        path = root / name.replace("__", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"{text}\n")


def test_of_a_machine_that_tells_nothing_nothing_is_said(tmp_path):
    assert warnings(tmp_path, ALL) == []


@pytest.mark.skipif(sys.platform != "linux", reason="the line is for Linux")
def test_what_is_not_granted_is_named_with_one_line_of_set_up(tmp_path):
    [told] = warnings(tmp_path, Granted(priority="nice -10", timer="1 ns", memory="not locked"))
    assert told.startswith("The clock is not granted real-time priority (only nice -10) nor to lock its memory. Once")
    assert told.endswith(r"- memlock unlimited\n' | sudo tee /etc/security/limits.d/tapebridge.conf")
    assert "\n" not in told
    [told] = warnings(tmp_path, Granted(priority="real time", timer="1 ns", memory="not locked"))
    assert "not granted to lock its memory. Once" in told


def test_a_battery_that_empties_is_told_and_one_that_charges_or_belongs_to_a_mouse_is_not(tmp_path):
    battery = "sys__class__power_supply__BAT0__"
    write(tmp_path, **{f"{battery}type": "Battery", f"{battery}status": "Discharging", f"{battery}capacity": "61"})
    assert warnings(tmp_path, ALL) == [
        "The machine runs on its battery (61 %). Plug in the mains: it slows down, and ends."
    ]
    write(tmp_path, **{f"{battery}scope": "Device"})
    assert warnings(tmp_path, ALL) == []
    write(tmp_path, **{f"{battery}scope": "System", f"{battery}status": "Charging"})
    assert warnings(tmp_path, ALL) == []


def test_a_lid_is_told_unless_it_may_be_closed(tmp_path):
    write(tmp_path, proc__acpi__button__lid__LID0__state="state:      open")
    [told] = warnings(tmp_path, ALL)
    assert "HandleLidSwitch=ignore" in told
    (tmp_path / "etc/systemd").mkdir(parents=True)
    (tmp_path / "etc/systemd/logind.conf").write_text("[Login]\n#HandleLidSwitch=suspend\nHandleLidSwitch=ignore\n")
    assert warnings(tmp_path, ALL) == []


def test_usb_power_saving_is_told_of_sound_and_midi_interfaces_only(tmp_path):
    usb = tmp_path / "sys/bus/usb/devices"
    for name, kind, control in (("1-2", "01", "auto"), ("1-3", "03", "auto"), ("1-4", "01", "on")):
        (usb / name / "power").mkdir(parents=True)
        (usb / name / "power/control").write_text(f"{control}\n")
        (usb / name / f"{name}:1.0").mkdir()
        (usb / name / f"{name}:1.0" / "bInterfaceClass").write_text(f"{kind}\n")
    (usb / "1-2" / "product").write_text("Pedals\n")
    [told] = warnings(tmp_path, ALL)
    assert told == (
        'USB may switch off "Pedals" to save power. For now: echo on | sudo tee /sys/bus/usb/devices/1-2/power/control'
    )
