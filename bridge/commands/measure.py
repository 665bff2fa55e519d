"""``tapebridge measure``: latency and clocks, as the gear really gives them."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.commands import Number, Whole, example

if TYPE_CHECKING:
    from bridge.rig import Rig

CAUTION = (
    "Before a click is played: turn monitors down and take headphones off. It is quiet and fades, and begins with two "
    "fainter ones; what is plugged in behind that output may still make it loud."
)

_SUCH_AS = (
    "For instance: tapebridge measure latency my-rig.toml --pedal stutter --input 3. The inputs and ports that there "
    "are: tapebridge ports"
)


@click.group("measure")
def command() -> None:
    """Measure latency and MIDI clocks, as the gear really gives them."""


@command.command("latency")
@click.argument("rig", type=click.Path(path_type=Path), required=False)
@click.option("--input", "input_", type=Whole(1), help="Input that hears, counted from 1.")
@click.option("--output", type=Whole(1), help="Output that plays a click, counted from 1.")
@click.option("--pedal", metavar="NAME", help="Send a note to this pedal of the rig instead.")
@click.option("--port", metavar="NAME", help="Send a note to this MIDI output instead.")
@click.option("--channel", type=Whole(1, 16), help="MIDI channel of the note.  [default: the pedal's, else 1]")
@click.option("--note", type=Whole(0, 127), default=60, show_default=True, help="The note.")
@click.option("--velocity", type=Whole(1, 127), default=64, show_default=True, help="How hard.")
@click.option("--device", metavar="NAME", help="Sound device.  [default: the rig's, else the system's]")
@click.option("--api", metavar="NAME", help="MIDI system.  [default: the rig's, else the system's]")
@click.option(
    "--level",
    type=Number(-60, -12),
    default=-30.0,
    show_default=True,
    metavar="DB",
    help="Peak of the click in dB relative to full scale, -60 to -12.",
)
@click.option("--count", type=Whole(3, 100), default=10, show_default=True, help="How often.")
@click.option(
    "--less",
    type=Number(-1000, 1000),
    default=0.0,
    metavar="MS",
    help="Take so much off, such as the median through a bare cable.",
)
@click.option("--yes", is_flag=True, help="Ask nothing first.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@example("tapebridge measure latency my-rig.toml --pedal stutter --input 3")
def latency(rig: Path | None, output: int | None, pedal: str | None, port: str | None, yes: bool, **asked: Any) -> None:
    """Play a quiet click or send a note, hear it come back, and print the line for the rig.

    With --output a click goes out and comes in again: through a bare cable that is the sound device's own latency,
    for [sound]; through a pedal, with --less, what the pedal adds. With --pedal or --port a note goes out, and the
    time until its sound is heard is that pedal's latency_ms.

    Exits with 1 where nothing was heard, or the answers disagree.
    """
    from bridge.rig_text import read_rig

    if sum(way is not None for way in (output, pedal, port)) != 1:
        raise click.UsageError(f"Name one of --output (a click), --pedal or --port (a note). {_SUCH_AS}")
    if asked["input_"] is None:
        raise click.UsageError(f"Name with --input which input hears it, counted from 1. {_SUCH_AS}")
    read = None if rig is None else read_rig(rig)
    if output is not None:
        if not (yes or _goes_on(CAUTION)):
            sys.exit(1)
        _click(read, output, **asked)
    else:
        _note(read, pedal, port, **asked)


def _goes_on(caution: str) -> bool:
    click.echo(caution, err=True)
    if not sys.stdin.isatty():
        return True
    return (
        click.prompt("Enter to begin, n to leave it", default="", show_default=False, err=True).strip().lower() != "n"
    )


def _click(
    rig: Rig | None, output: int, input_: int, device: str | None, level: float, count: int, less: float,
    as_json: bool, **_: Any,
) -> None:  # fmt: skip
    from bridge.edge import devices, portaudio
    from bridge.edge.latency import by_click
    from bridge.measure import words

    name = device or (rig.sound.device if rig else None)
    found = devices.resolve_device(name, portaudio.sound_devices())
    rate = rig.sound.rate if rig else None
    told = by_click(found, output=output, input_=input_, level_db=level, count=count, rate=rate)
    trouble = words.trouble_of_click(told.answers, interrupted=told.interrupted, level_db=level)
    if as_json:
        click.echo(json.dumps(asdict(told) | {"less_ms": less, "trouble": trouble or None}, indent=2))
    else:
        click.echo(f"click    out {output}, in {input_} of {found.full_name}: {words.middle(told.answers)}")
    if trouble:
        click.echo(trouble, err=True)
        sys.exit(1)
    if not as_json:
        claimed = told.claimed_ms, told.claimed_in_ms, told.block_ms
        click.echo("\n".join(words.of_click(told.answers, *claimed, less, turned=told.turned)))


def _note(
    rig: Rig | None, pedal: str | None, port: str | None, *, input_: int, device: str | None, api: str | None,
    channel: int | None, note: int, velocity: int, count: int, less: float, as_json: bool, **_: Any,
) -> None:  # fmt: skip
    from bridge.edge.audio import open_input
    from bridge.edge.latency import by_note
    from bridge.edge.midi import MidiSystem
    from bridge.measure import words
    from bridge.rig import SoundInput
    from bridge.send.messages import note_off, note_on

    meant = None if pedal is None else _pedal_of(rig, pedal)
    output = port or (meant.port if meant is not None else "")
    if not output:
        raise click.UsageError(f'The pedal "{pedal}" has no MIDI port, so no note reaches it.')
    on_channel = channel or (meant.channel if meant is not None else 1)
    sound = rig.sound if rig is not None and device is None else SoundInput(device=device)
    midi = MidiSystem(api or (rig.midi.api if rig else None), rig.midi.virtual if rig else ())
    try:
        opened = midi.open(output)
        with open_input(sound, input_) as heard:
            on, off = note_on(on_channel, note, velocity), note_off(on_channel, note)
            told = by_note(heard, opened, input_=input_, on=on, off=off, count=count)
    finally:
        midi.close()
    trouble = words.trouble_of_note(told.answers, peak_db=told.peak_db, quiet_db=told.quiet_db, lost=told.lost)
    if as_json:
        click.echo(json.dumps(asdict(told) | {"less_ms": less, "trouble": trouble or None}, indent=2))
    else:
        click.echo(f"note     to {opened.found}, in {input_} of {heard.source}: {words.middle(told.answers)}")
    if trouble:
        click.echo(trouble, err=True)
        sys.exit(1)
    if not as_json:
        click.echo(f"rig      {words.latency_line(told.answers, less)}")


def _pedal_of(rig: Rig | None, name: str) -> Any:
    if rig is None:
        raise click.UsageError("--pedal wants the rig that names it: tapebridge measure latency RIG --pedal NAME ...")
    known = {pedal.name: pedal for pedal in rig.pedals}
    if name not in known:
        raise click.UsageError(f'{rig.path} has no pedal called "{name}"; it has {", ".join(known) or "none"}.')
    return known[name]


@command.command("clock")
@click.argument("input_", metavar="IN")
@click.argument("output", metavar="OUT")
@click.option(
    "--for",
    "seconds",
    type=Number(1, 600),
    default=20.0,
    show_default=True,
    metavar="SECONDS",
    help="How long.",
)
@click.option("--api", metavar="NAME", help='MIDI system: "alsa", "jack", "coremidi" or "windows".')
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@example('tapebridge measure clock "Pedals A" "Pedals A"')
def clock(input_: str, output: str, seconds: float, api: str | None, as_json: bool) -> None:
    """Send a MIDI clock to OUT, over a cable into IN: its delay and jitter as they arrive.

    Take the cable of a pedal out of the pedal and plug it into a MIDI input. Exits with 1 where ticks were lost.
    """
    from bridge.edge.clock_loop import measure_clock
    from bridge.measure import words

    told = measure_clock(input_, output, seconds=seconds, api=api)
    trouble = words.trouble_of_clock(told)
    if as_json:
        click.echo(json.dumps(asdict(told) | {"trouble": trouble or None}, indent=2))
    else:
        click.echo("\n".join(words.clock_lines(told)))
    if trouble:
        click.echo(trouble, err=True)
        sys.exit(1)
