"""What is plugged in, by the names that a rig uses, and what of a rig is not."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from bridge.edge import midi, midi_in, portaudio
from bridge.edge.plugged import place_of
from bridge.edge.portaudio import SoundDevice
from bridge.errors import DeviceError, Fault, RigError, TakeError
from bridge.rig import Pedal, Rig
from bridge.toml_lines import KeyPath, key_lines, key_text, line_of

COMMON_RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
"""Rates that are tried on each sound device for the list of what is plugged in, in frames per second."""

_Listed = TypeVar("_Listed")
_Finding = tuple[KeyPath, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gear:
    """What is plugged in now.

    Attributes:
        sound: The sound inputs; or, in their place, why there is no telling.
        midi: Full names of the MIDI outputs; or why there is no telling.
        midi_in: Full names of the MIDI inputs; or why there is no telling.
        refusal: Says what a device has against so many channels at a rate; nothing if it takes them.
        has_virtual: Whether this system lets programs make MIDI ports.
    """

    sound: Sequence[SoundDevice] | DeviceError
    midi: Sequence[str] | DeviceError
    midi_in: Sequence[str] | DeviceError = ()
    refusal: Callable[[SoundDevice, int, int], str] = portaudio.refusal
    has_virtual: bool = sys.platform != "win32"

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain values, for scripts."""
        sound = () if isinstance(self.sound, DeviceError) else self.sound
        return {
            "sound": [
                {
                    "name": device.name,
                    "system": device.api,
                    "inputs": device.channels,
                    "rate": device.rate,
                    "rates": self._rates(device),
                    "is_default": device.is_default,
                }
                for device in sound
            ],
            "sound_error": str(self.sound) if isinstance(self.sound, DeviceError) else None,
            "midi": _with_places(self.midi),
            "midi_error": str(self.midi) if isinstance(self.midi, DeviceError) else None,
            "midi_inputs": _with_places(self.midi_in),
            "midi_inputs_error": str(self.midi_in) if isinstance(self.midi_in, DeviceError) else None,
        }

    def as_text(self) -> str:
        """Return it as lines to read."""
        listed = self.as_dict()
        sound = [
            f'"{device["name"]}, {device["system"]}": {device["inputs"]} inputs, {device["rate"]} frames/s'
            f" (takes {', '.join(map(str, device['rates'])) or 'none of the common rates'})"
            f"{', the default' if device['is_default'] else ''}"
            for device in listed["sound"]
        ]
        return "\n".join(
            ["Sound inputs"]
            + [f"  {line}" for line in sound or [listed["sound_error"] or "none"]]
            + ["MIDI outputs"]
            + [f"  {line}" for line in _lines(self.midi)]
            + ["MIDI inputs"]
            + [f"  {line}" for line in _lines(self.midi_in)]
        )

    def _rates(self, device: SoundDevice) -> list[int]:
        return [rate for rate in COMMON_RATES if not self.refusal(device, 1, rate)]


def _with_places(ports: Sequence[str] | DeviceError) -> list[dict[str, str | None]]:
    places = [] if isinstance(ports, DeviceError) else [(name, place_of(name)) for name in ports]
    return [{"name": name, "path": place.path, "serial": place.serial} for name, place in places]


def _lines(ports: Sequence[str] | DeviceError) -> list[str]:
    return (
        [str(ports)]
        if isinstance(ports, DeviceError)
        else [midi.described(port, place_of) for port in ports] or ["none"]
    )


def list_gear(midi_api: str | None = None) -> Gear:
    """Return what is plugged in: sound devices as this process first saw them, MIDI ports as they are now.

    Args:
        midi_api: "alsa", "jack", "coremidi" or "windows"; None for the system's own.
    """
    return Gear(
        sound=_or_why_not(portaudio.sound_devices),
        midi=_or_why_not(lambda: midi.outputs(midi_api)),
        midi_in=_or_why_not(lambda: midi_in.inputs(midi_api)),
    )


def _or_why_not(ask: Callable[[], _Listed]) -> _Listed | DeviceError:
    try:
        return ask()
    except DeviceError as error:
        return error


def resolve_device(name: str | None, devices: Sequence[SoundDevice]) -> SoundDevice:
    """Return the sound device that a rig means by ``name``.

    It is the one so called, with or without its sound system behind a comma; else the only one with ``name`` in it.
    Letter case does not count.

    Args:
        name: What the rig says; None for the system's default input.
        devices: What is plugged in.

    Raises:
        DeviceError: None matches, or several.
    """
    if name is None:
        matches, wanted = [device for device in devices if device.is_default], "the system's default input"
    else:
        matches, wanted = _matches(name.casefold(), devices), f'"{name}"'
    if len(matches) == 1:
        return matches[0]
    if matches:
        candidates = _quoted(device.full_name for device in matches)
        raise DeviceError(f"{wanted} matches {len(matches)} sound inputs: {candidates}. Name one of them in full.")
    present = _quoted(device.full_name for device in devices)
    raise DeviceError(
        f"{wanted} matches no sound input. Present now: {present}. Plug it in, or list the devices: tapebridge ports"
    )


def _matches(name: str, devices: Sequence[SoundDevice]) -> list[SoundDevice]:
    return (
        [device for device in devices if name == device.full_name.casefold()]
        or [device for device in devices if name == device.name.casefold()]
        or [device for device in devices if name in device.full_name.casefold()]
    )


def check_gear(rig: Rig, check_folder: Callable[[Path], None] | None = None) -> None:
    """Return if everything that a rig names is plugged in and takes what the rig asks of it.

    Args:
        rig: The rig.
        check_folder: Refuses a folder for takes with TakeError, such as `bridge.journal.take.check_space`; None to
            leave that open.

    Raises:
        RigError: Something is absent, ambiguous, or does not fit; holds every fault, with its line in the rig's file.
    """
    lines = key_lines(Path(rig.path).read_text(encoding="utf-8-sig"))
    if faults := rig_against_gear(rig, lines, list_gear(rig.midi.api), check_folder):
        raise RigError(faults)


def rig_against_gear(
    rig: Rig, lines: Mapping[KeyPath, int], gear: Gear, check_folder: Callable[[Path], None] | None = None
) -> list[Fault]:
    """Return everything in a rig that is absent, ambiguous, or does not fit, in the order of lines.

    Args:
        rig: The rig.
        lines: Line of each key in its file, from `bridge.toml_lines.key_lines`.
        gear: What is plugged in.
        check_folder: As for `check_gear`.
    """
    findings = [*_sound_findings(rig, gear), *_midi_findings(rig, gear), *_switch_findings(rig, gear)]
    try:
        if check_folder is not None:
            check_folder(Path(rig.take.folder))
    except TakeError as error:
        findings.append((("take", "folder"), *_in_two(f"= {error}")))
    faults = [Fault(rig.path, line_of(lines, key), key_text(key), found, remedy) for key, found, remedy in findings]
    return sorted(faults, key=lambda fault: fault.line or 0)


def _sound_findings(rig: Rig, gear: Gear) -> Iterator[_Finding]:
    key: KeyPath = ("sound", "device")
    if isinstance(gear.sound, DeviceError):
        yield key, *_in_two(f"cannot be looked for: {gear.sound}")
        return
    try:
        device = resolve_device(rig.sound.device, gear.sound)
    except DeviceError as error:
        yield key, *_in_two(f"{'= ' if rig.sound.device else ''}{error}")
        return
    for index, deck in enumerate(rig.decks):
        places = [(of, position) for of in ("channels", "dry") for position in range(len(getattr(deck, of)))]
        for (of, position), channel in zip(places, deck.inputs, strict=True):
            if channel > device.channels:
                found = f'= {channel} is not on "{device.full_name}", which has {device.channels} inputs'
                yield ("decks", index, of, position), found, "Name inputs that it has, or another device"
    channels = min(device.channels, rig.inputs)
    if said := gear.refusal(device, channels, device.rate):
        found = f'cannot be opened: "{device.full_name}" says {said}'
        yield key, found, "See that no other program holds it, or name another device"
    elif rig.sound.rate is not None and (said := gear.refusal(device, channels, rig.sound.rate)):
        found = f'= {rig.sound.rate} is refused by "{device.full_name}": {said}'
        yield ("sound", "rate"), found, f"Write {device.rate}, which is its own, or leave the key out"


def _midi_findings(rig: Rig, gear: Gear) -> Iterator[_Finding]:
    if rig.midi.virtual and not gear.has_virtual:
        remedy = "Name ports that are there; a loopback MIDI driver makes some"
        yield ("midi", "virtual"), "cannot be made: this system lets no program make MIDI ports", remedy
    if isinstance(gear.midi, DeviceError):
        if rig.pedals or rig.midi.virtual:
            yield ("midi", "api"), *_in_two(f"cannot be used: {gear.midi}")
        return
    yield from _other_output_findings(rig, gear.midi)
    first: dict[int, Pedal] = {}
    for index, pedal in enumerate(rig.pedals):
        if not pedal.port or pedal.port in rig.midi.virtual:
            continue
        key: KeyPath = ("pedals", index, "port")
        try:
            output = midi.matching_output(pedal.port, gear.midi)
        except DeviceError as error:
            yield key, *_in_two(f"= {error}")
            continue
        if not pedal.clocked:
            continue
        other = first.setdefault(output, pedal)
        if other.clock != pedal.clock:
            found = f'= "{pedal.port}" is the same output as "{other.port}" of "{other.name}": "{gear.midi[output]}"'
            yield key, found, "A port carries one clock: give them the same, or another port to one of them"


def _other_output_findings(rig: Rig, outputs: Sequence[str]) -> Iterator[_Finding]:
    """Loopers, cues and lamps: an output of theirs that a pedal has, too, is to be called what the pedal calls it."""
    called = {pedal.port for pedal in rig.pedals if pedal.port} | set(rig.midi.virtual)
    wanted = [(("loopers", i), looper.port) for i, looper in enumerate(rig.loopers)]
    wanted += [(("cues", i), cue.port) for i, cue in enumerate(rig.cues) if cue.messages and not rig.cue_sheet]
    wanted += [(("lamps", i), lamp.port) for i, lamp in enumerate(rig.lamps)]
    found_as: dict[int, str] = {}
    for name in sorted(called - set(rig.midi.virtual)):
        with suppress(DeviceError):
            found_as.setdefault(midi.matching_output(name, outputs), name)
    for table, port in wanted:
        if not port or port in called:
            continue
        try:
            output = midi.matching_output(port, outputs)
        except DeviceError as error:
            yield (*table, "port"), *_in_two(f"= {error}")
            continue
        if (name := found_as.setdefault(output, port)) != port:
            found = f'= "{port}" is the same output as "{name}": "{outputs[output]}"'
            yield (*table, "port"), found, f'Call it "{name}" here, too: an output has one name in a rig'


def _switch_findings(rig: Rig, gear: Gear) -> Iterator[_Finding]:
    wanted = [(index, switch.port) for index, switch in enumerate(rig.switches) if switch.port]
    if isinstance(gear.midi_in, DeviceError):
        is_told = isinstance(gear.midi, DeviceError) and (rig.pedals or rig.midi.virtual)
        if wanted and not is_told:
            yield ("midi", "api"), *_in_two(f"cannot be used: {gear.midi_in}")
        return
    for index, port in wanted:
        try:
            midi_in.matching_input(port, gear.midi_in)
        except DeviceError as error:
            yield ("switches", index, "port"), *_in_two(f"= {error}")


def _in_two(text: str) -> tuple[str, str]:
    """Return what was found and what to do, from a text that has both, the one behind the other."""
    found, _, remedy = text.partition(". ")
    return found, remedy.rstrip(".")


def _quoted(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names) or "none"
