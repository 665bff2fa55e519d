"""Where MIDI outputs are plugged in, from made-up system folders laid out as Linux has them."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.edge.plugged import Place, connects, place_of

CLIENTS = """Client info
  cur  clients : 4
  peak clients : 5
  max  clients : 192

Client   0 : "System" [Kernel]
  Port   0 : "Timer" (Rwe-)
  Port   1 : "Announce" (R-e-)
    Connecting To: 15:0
Client  20 : "Pedals" [Kernel]
  Port   0 : "Pedals MIDI 1" (RWeX)
    Connected From: 128:0
Client 128 : "Tape Bridge" [User]
  Port   0 : "long echo" (R-e-)
    Connecting To: 20:0
  Output pool :
    Pool size          : 500
Client 129 : "Tape Bridge" [User]
  Port   0 : "loop box" (R-e-)
Client 130 : "other program" [User]
  Port   0 : "stutter" (R-e-)
    Connecting To: 24:0[r:0], 28:0
"""
"""Of the form that snd_seq_info_clients_read of the kernel's sound/core/seq/seq_clientmgr.c prints."""


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    """A machine with two identical interfaces, cards 1 and 2, of which only the first has a serial number."""
    for card, address in ((1, "1-2"), (2, "1-3.4")):
        usb = tmp_path / "sys/devices/pci0000:00/0000:00:14.0/usb1" / address
        interface = usb / f"{address}:1.0"
        interface.mkdir(parents=True)
        (usb / "idVendor").write_text("1234\n")
        (tmp_path / f"sys/class/sound/card{card}").mkdir(parents=True)
        (tmp_path / f"sys/class/sound/card{card}/device").symlink_to(interface)
    (tmp_path / "sys/devices/pci0000:00/0000:00:14.0/usb1/1-2/serial").write_text("FERRY-7\n")
    return tmp_path


def test_identical_interfaces_have_their_usb_address_and_serial_number(machine):
    assert place_of("Pedals:Pedals MIDI 1 20:0", machine) == Place("1-2", "FERRY-7")
    assert place_of("Pedals:Pedals MIDI 1 24:0", machine) == Place("1-3.4", None)
    assert str(place_of("Pedals:Pedals MIDI 1 20:0", machine)) == "path 1-2, serial FERRY-7"


def test_where_the_system_has_a_lasting_name_for_the_socket_that_is_the_path(machine):
    folder = machine / "dev/snd/by-path"
    folder.mkdir(parents=True)
    (machine / "dev/snd/controlC2").touch()
    (folder / "pci-0000:00:14.0-usb-0:3.4:1.0").symlink_to("../controlC2")
    assert place_of("Pedals MIDI 1 24:0", machine).path == "pci-0000:00:14.0-usb-0:3.4:1.0"
    assert place_of("Pedals MIDI 1 20:0", machine).path == "1-2"


@pytest.mark.parametrize("output", ["system:midi_playback_1", "Through 14:0", "other program 130:0", "Pedals 28:0", ""])
def test_what_is_on_no_card_has_no_place(machine, output):
    assert place_of(output, machine) == Place()
    assert str(Place()) == ""


def test_alsa_tells_whether_a_port_of_ours_is_connected():
    assert connects(CLIENTS, "Tape Bridge", "long echo", "Pedals MIDI 1 20:0") is True
    assert connects(CLIENTS, "Tape Bridge", "long echo", "Pedals MIDI 1 24:0") is False
    assert connects(CLIENTS, "Tape Bridge", "loop box", "Pedals MIDI 1 20:0") is False
    assert connects(CLIENTS, "other program", "stutter", "Pedals MIDI 1 28:0") is True


@pytest.mark.parametrize(("port", "output"), [("kettle", "Pedals MIDI 1 20:0"), ("long echo", "no address")])
def test_what_alsa_does_not_show_is_unknown(port, output):
    assert connects(CLIENTS, "Tape Bridge", port, output) is None
