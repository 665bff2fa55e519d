"""Rigs that can be used, and what is said of those that cannot."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import Fault, RigError
from bridge.rig import Deck, Midi, Osc, Pedal, Rig, SoundInput, TakePlan, Taps, Times
from bridge.rig_text import parse_rig, read_rig

DECK = '[[decks]]\nname = "north"\nchannels = [1, 2]\n'
PEDAL = '[[pedals]]\nname = "long echo"\nport = "Pedals A"\nlistens_to = "north"\n'
SECOND = '[[pedals]]\nname = "loop box"\nport = "Pedals A"\nlistens_to = "north"\n'
TAPPED = PEDAL + 'sync = ["taps"]\n[pedals.taps]\nmessage = "cc"\nnumber = 93\n'
TIMED = PEDAL + 'sync = ["times"]\n[pedals.times]\nmessage = "cc"\nnumber = 20\n'
PAIR = '[pedals.times]\nmessage = "cc14"\nnumber = 31\npoints = [[20, 0], [2000, 16383]]\n'
OSC_TAPPED = (
    '[[pedals]]\nname = "long echo"\nlistens_to = "north"\nsync = ["taps"]\n'
    '[pedals.taps]\nmessage = "osc"\naddress = "/tap"\n[osc]\nport = 9000\n'
)
SOUTH = '[[decks]]\nname = "south"\nchannels = [3, 4]\n'


def faults(text: str) -> tuple[Fault, ...]:
    with pytest.raises(RigError) as refusal:
        parse_rig(text, "rig.toml")
    return refusal.value.faults


def test_what_a_rig_leaves_out_is_the_default() -> None:
    rig = parse_rig(DECK + PEDAL, "rig.toml")
    pedal = Pedal(name="long echo", port="Pedals A", listens_to="north")
    deck = Deck(name="north", channels=(1, 2))
    assert rig == Rig(path="rig.toml", sound=SoundInput(), decks=(deck,), pedals=(pedal,))


def test_every_key_reaches_the_rig() -> None:
    text = f"""
        sound = {{device = "Deck interface", rate = 44100, block = 64, latency_ms = 3}}
        {DECK} tempo_range = [40, 130.5]
        {PEDAL} channel = 3
        sync = ["clock", "taps", "times"]
        needs = "beat"
        ratio = "3/4"
        division = "1/8."
        step = "tail_quiet"
        hold_while = "loop"
        latency_ms = -4
        transport = ["start", "stop"]
        delay_ms = [20, 1500]
        tempo = [40, 240]
        on_change = "jumps"
        repeats_heard = 9
        begin_tempo = 72
        [pedals.taps]
        message = "note"
        number = 60
        on = 100
        off = 1
        count = 3
        every_s = 30
        drift_percent = 0.5
        contact_ms = 25
        [pedals.times]
        message = "nrpn"
        number = 16382
        points = [[20, 16383], [1500, 0]]
        between = "log"
        division = "1/4T"
        [midi]
        api = "jack"
        virtual = ["Pedals A"]
        [osc]
        host = "192.0.2.7"
        port = 9000
        [take]
        name = "ferry night"
        folder = "takes"
        sound = false
    """
    pedal = Pedal(
        name="long echo",
        port="Pedals A",
        channel=3,
        listens_to="north",
        sync=("clock", "taps", "times"),
        needs="beat",
        ratio=Fraction(3, 4),
        division=Fraction(3, 4),
        step="tail_quiet",
        hold_while="loop",
        latency_ms=-4,
        transport=("start", "stop"),
        delay_ms=(20, 1500),
        tempo=(40, 240),
        on_change="jumps",
        repeats_heard=9,
        begin_tempo=72,
        taps=Taps(message="note", number=60, on=100, off=1, count=3, every_s=30, drift_percent=0.5, contact_ms=25),
        times=Times(
            message="nrpn", number=16382, points=((20, 16383), (1500, 0)), between="log", division=Fraction(2, 3)
        ),
    )
    assert parse_rig(text, "rig.toml") == Rig(
        path="rig.toml",
        sound=SoundInput(device="Deck interface", rate=44100, block=64, latency_ms=3),
        decks=(Deck(name="north", channels=(1, 2), tempo_range=(40, 130.5)),),
        pedals=(pedal,),
        midi=Midi(api="jack", virtual=("Pedals A",)),
        osc=Osc(host="192.0.2.7", port=9000),
        take=TakePlan(name="ferry night", folder="takes", sound=False),
    )


def test_a_rig_without_pedals_only_watches() -> None:
    assert parse_rig(DECK, "rig.toml").pedals == ()


def test_pedals_that_share_a_port_may_share_a_clock() -> None:
    """The ratio counts, not how it is written."""
    rig = parse_rig(DECK + PEDAL + 'ratio = "2/4"\n' + SECOND + 'ratio = "1/2"\n', "rig.toml")
    assert {pedal.port for pedal in rig.pedals} == {"Pedals A"}


def test_pedals_that_share_a_port_may_differ_in_their_limits_and_in_all_if_one_has_no_clock() -> None:
    limits = 'delay_ms = [20, 900]\nstep = "foot"\nhold_while = "loop"\nrepeats_heard = 9\n'
    parse_rig(DECK + PEDAL + SECOND + limits, "rig.toml")
    parse_rig(DECK + TAPPED + SECOND + 'ratio = "1/2"\nneeds = "beat"\n', "rig.toml")


def test_a_pedal_that_is_reached_by_osc_alone_needs_no_port() -> None:
    [pedal] = parse_rig(DECK + OSC_TAPPED, "rig.toml").pedals
    assert (pedal.port, pedal.clocked, pedal.taps) == ("", False, Taps(message="osc", address="/tap"))


@pytest.mark.parametrize(("text", "beats"), [("1/1", 4), ("1/8.", 0.75), ("1/4T", 2 / 3), ("1/16T", 1 / 6)])
def test_note_values_are_those_of_the_trade(text: str, beats: float) -> None:
    """In quarter notes: whole 4, dotted eighth 0.75, quarter triplet 0.667, 16th triplet 0.167 (CHECK_VALUES 6)."""
    [pedal] = parse_rig(DECK + PEDAL + f'division = "{text}"\n', "rig.toml").pedals
    assert float(pedal.division) == pytest.approx(beats)


@pytest.mark.parametrize("text", ["\ufeff" + DECK, DECK.replace("\n", "\r\n"), "# deck north\n" + DECK])
def test_a_byte_order_mark_or_other_line_ends_change_nothing(text: str, tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(text.encode())
    assert read_rig(path) == parse_rig(DECK, str(path))


# What is wrong, the line it stands in, the key, and words that must be in what is said about it.
FAULTS: list[tuple[str, int | None, str, list[str]]] = [
    ("", None, "", ["holds no rig", "config/two-decks.toml"]),
    ("# only a comment\n", None, "", ["holds no rig"]),
    ("[sound]\nrate = 48000\n", None, "decks", ["is missing", "[[decks]]"]),
    ("[[decks]]\nname = north\n", 2, "", ["no TOML", "column 8"]),
    (DECK + "name = 'south'\n", 4, "", ["no TOML", "overwrite"]),
    (DECK + "[sound\n", 4, "", ["no TOML"]),
    (DECK + '[take]\nname = "ferry', 5, "", ["no TOML"]),
    ("a = " + "[" * 5000, None, "", ["too deep"]),
    ("a = " + "1" * 5000, None, "", ["too long a number"]),
    # misspelt
    (DECK + "chanels = [3]\n", 4, "decks[0].chanels", ["not a known key", "Did you mean channels?", "tempo_range"]),
    ("[sund]\nrate = 48000\n" + DECK, 1, "sund", ["not a known key", "Did you mean sound?"]),
    (DECK + "Tempo_Range = [40, 90]\n", 4, "decks[0].Tempo_Range", ["Did you mean tempo_range?"]),
    (DECK + '"" = 1\n', 4, 'decks[0].""', ["not a known key", "Known in decks[0]: name"]),
    (DECK + PEDAL + "chanel = 3\n", 8, "pedals[0].chanel", ["not a known key", "Did you mean channel?"]),
    (DECK + TAPPED + "counts = 3\n", 12, "pedals[0].taps.counts", ["not a known key", "Did you mean count?"]),
    # missing
    ('[[decks]]\nname = "north"\n', 1, "decks[0].channels", ["is missing", "1 to 4 input channels"]),
    (DECK + "[osc]\n", 4, "osc.port", ["is missing", "1..65535"]),
    # of the wrong kind
    ('[sound]\nrate = "48000"\n' + DECK, 2, "sound.rate", ['= "48000" is a text', "8000..192000"]),
    ("[sound]\nrate = 48000.0\n" + DECK, 2, "sound.rate", ["= 48000.0 is a decimal number"]),
    ("[sound]\nblock = true\n" + DECK, 2, "sound.block", ["= true is a boolean", "32..4096"]),
    ("sound = 3\n" + DECK, 1, "sound", ["= 3 is a whole number", "[sound]"]),
    ('[decks]\nname = "north"\n', 1, "decks", ["is a table", "[[decks]]"]),
    ("[[sound]]\n" + DECK, 1, "sound", ["is a list", "[sound]"]),
    ("decks = []\n", 1, "decks", ["is empty"]),
    ("decks = [1]\n", 1, "decks[0]", ["= 1 is a whole number"]),
    (DECK + "[take]\nsound = 1\n", 5, "take.sound", ["= 1 is a whole number", "true or false"]),
    (DECK + "[take]\nname = 1979-05-27\n", 5, "take.name", ["is a date or time"]),
    (DECK + PEDAL + "ratio = 0.5\n", 8, "pedals[0].ratio", ["= 0.5 is a decimal number", "in quotes"]),
    # out of range
    ("[sound]\nrate = 4000\n" + DECK, 2, "sound.rate", ["= 4000 is below 8000"]),
    ("[sound]\nblock = 8192\n" + DECK, 2, "sound.block", ["= 8192 is above 4096"]),
    ("[sound]\nlatency_ms = nan\n" + DECK, 2, "sound.latency_ms", ["= nan is no finite number"]),
    ("[sound]\nlatency_ms = -1\n" + DECK, 2, "sound.latency_ms", ["= -1 is below 0"]),
    ('[sound]\ndevice = ""\n' + DECK, 2, "sound.device", ["is empty", "tapebridge ports"]),
    (DECK + "[osc]\nport = 65536\n", 5, "osc.port", ["is above 65535"]),
    (DECK + PEDAL + "repeats_heard = 0\n", 8, "pedals[0].repeats_heard", ["is below 1"]),
    (DECK + PEDAL + "begin_tempo = inf\n", 8, "pedals[0].begin_tempo", ["is no finite number"]),
    (DECK.replace("[1, 2]", "[\n  1,\n  0,\n]"), 5, "decks[0].channels[1]", ["= 0 is below 1"]),
    (DECK.replace("[1, 2]", "[65]"), 3, "decks[0].channels[0]", ["= 65 is above 64"]),
    (DECK.replace("[1, 2]", "[]"), 3, "decks[0].channels", ["is empty"]),
    (DECK.replace("[1, 2]", "[1, 2, 3, 4, 5]"), 3, "decks[0].channels", ["is longer than 4"]),
    (DECK.replace("[1, 2]", "[2, 2]"), 3, "decks[0].channels", ["has 2 twice"]),
    (DECK + "tempo_range = [130, 40]\n", 4, "decks[0].tempo_range", ["does not go from low to high"]),
    (DECK + "tempo_range = [40, 40]\n", 4, "decks[0].tempo_range", ["does not go from low to high"]),
    (DECK + "tempo_range = [40]\n", 4, "decks[0].tempo_range", ["has 1 numbers instead of 2"]),
    (DECK + "tempo_range = [10, 90]\n", 4, "decks[0].tempo_range[0]", ["= 10 is below 20"]),
    (DECK + PEDAL + "delay_ms = [1500, 20]\n", 8, "pedals[0].delay_ms", ["does not go from low to high"]),
    (DECK + PEDAL + "tempo = [40, nan]\n", 8, "pedals[0].tempo[1]", ["= nan is no finite number"]),
    # not one of the words
    (DECK + PEDAL + 'on_change = "glide"\n', 8, "pedals[0].on_change", ['"glides", "jumps" or "mutes"']),
    (DECK + '[midi]\napi = "oss"\n', 5, "midi.api", ['"alsa", "jack", "coremidi" or "windows"']),
    (DECK + PEDAL + 'sync = ["tap"]\n', 8, "pedals[0].sync[0]", ['= "tap" is not a known word', '"clock", "taps"']),
    # a dry tap that is none
    (DECK + "dry = []\n", 4, "decks[0].dry", ["is empty"]),
    (DECK + "dry = [3, 4, 5, 6, 7]\n", 4, "decks[0].dry", ["is longer than 4"]),
    (DECK + "dry = [0]\n", 4, "decks[0].dry[0]", ["= 0 is below 1", "dry tap"]),
    (DECK + "dry = 3\n", 4, "decks[0].dry", ["= 3 is", "dry tap"]),
    (DECK + "dry = [3, 2]\n", 4, "decks[0].dry", ["= [3, 2] names input 2", "in channels of line 3 too"]),
    (DECK + "dry = [5]\n" + SOUTH + "dry = [5]\n", 8, "decks[1].dry", ["names input 5", "in dry of line 4 too"]),
    (DECK + "dry = [3]\n" + SOUTH, 4, "decks[0].dry", ["names input 3", "in channels of line 7 too", "own dry tap"]),
    (DECK + 'mixed = "yes"\n', 4, "decks[0].mixed", ['= "yes" is', "several decks"]),
    (DECK + 'follower = "drums"\n', 4, "decks[0].follower", ['= "drums" is not a known word', '"onsets", or "aubio"']),
    (DECK + "follower = true\n", 4, "decks[0].follower", ["= true is", '"net"']),
    (DECK + PEDAL + "sync = []\n", 8, "pedals[0].sync", ["is empty"]),
    (DECK + PEDAL + 'sync = ["clock", "clock"]\n', 8, "pedals[0].sync", ["has clock twice"]),
    (DECK + PEDAL + 'needs = "phase"\n', 8, "pedals[0].needs", ['"tempo" (a delay), or "beat"']),
    (DECK + PEDAL + 'step = "later"\n', 8, "pedals[0].step", ['"now", "tail_quiet" or "foot"']),
    (DECK + PEDAL + 'hold_while = "looping"\n', 8, "pedals[0].hold_while", ['"none", "recording" or "loop"']),
    (DECK + PEDAL + 'transport = ["pause"]\n', 8, "pedals[0].transport[0]", ["song_position"]),
    (DECK + PEDAL + 'division = "1/5"\n', 8, "pedals[0].division", ['= "1/5" is no note value', "1/8."]),
    (DECK + PEDAL + "channel = 0\n", 8, "pedals[0].channel", ["is below 1", "1..16"]),
    (DECK + PEDAL + "channel = 17\n", 8, "pedals[0].channel", ["is above 16"]),
    (DECK + PEDAL + "latency_ms = -501\n", 8, "pedals[0].latency_ms", ["is below -500"]),
    (DECK + PEDAL + "latency_ms = nan\n", 8, "pedals[0].latency_ms", ["is no finite number"]),
    (DECK + TAPPED + "contact_ms = 201\n", 12, "pedals[0].taps.contact_ms", ["is above 200"]),
    (DECK + TAPPED + "contact_ms = nan\n", 12, "pedals[0].taps.contact_ms", ["is no finite number"]),
    (DECK + TAPPED + "count = 1\n", 12, "pedals[0].taps.count", ["is below 2"]),
    (DECK + TAPPED + "drift_percent = 0\n", 12, "pedals[0].taps.drift_percent", ["is below 0.1"]),
    (DECK + TAPPED + "every_s = 1\n", 12, "pedals[0].taps.every_s", ["is below 2"]),
    (DECK + TAPPED + "off = 128\n", 12, "pedals[0].taps.off", ["is above 127"]),
    (DECK + TIMED + "points = [[20, 0]]\n", 12, "pedals[0].times.points", ["has 1 points, and a line needs 2"]),
    (DECK + TIMED + "points = [[20, 0], [20, 9]]\n", 12, "pedals[0].times.points", ["do not go up"]),
    (DECK + TIMED + "points = [[0, 0], [20, 9]]\n", 12, "pedals[0].times.points[0]", ["outside 1..60000 ms"]),
    (DECK + TIMED + "points = [[20], [30, 9]]\n", 12, "pedals[0].times.points[0]", ["has 1 numbers instead of 2"]),
    (DECK + TIMED + 'points = [[20, 0], [30, "a"]]\n', 12, "pedals[0].times.points[1][1]", ['= "a" is a text']),
    (DECK + PEDAL + 'ratio = "1/8"\n', 8, "pedals[0].ratio", ["is outside 1/4..4"]),
    (DECK + PEDAL + 'ratio = "1/0"\n', 8, "pedals[0].ratio", ["is no fraction"]),
    (DECK + PEDAL + 'ratio = "1/1 dotted"\n', 8, "pedals[0].ratio", ["is no fraction", '"2/3"']),
    (DECK + '[take]\nname = "../etc"\n', 5, "take.name", ["has / in it"]),
    (DECK + '[take]\nname = ".."\n', 5, "take.name", ["ends in a dot"]),
    (DECK.replace("north", "no\\nrth"), 2, "decks[0].name", ["cannot be shown"]),
    (DECK.replace("north", "n" * 41), 2, "decks[0].name", ["is longer than 40"]),
    (DECK + '[midi]\nvirtual = ["Pedals A", "Pedals A"]\n', 5, "midi.virtual", ["has Pedals A twice"]),
    # between the keys of a pedal
    (DECK + PEDAL.replace('port = "Pedals A"\n', ""), 4, "pedals[0].port", ["is missing", "tapebridge ports"]),
    (DECK + PEDAL + 'sync = ["taps"]\n', 8, "pedals[0].sync", ['has "taps", but no table', "[pedals.taps]"]),
    (DECK + TAPPED.replace('sync = ["taps"]\n', ""), 8, "pedals[0].taps", ['"taps" is not in sync']),
    (
        DECK + OSC_TAPPED.replace("[osc]", "number = 9\n[osc]"),
        11,
        "pedals[0].taps.number",
        ['says nothing to message = "osc"'],
    ),
    (DECK + TAPPED.replace("number = 93\n", ""), 9, "pedals[0].taps.number", ["is missing", "0..119"]),
    (DECK + TAPPED.replace("93", "120"), 11, "pedals[0].taps.number", ["is above 119", "0..119"]),
    (DECK + TAPPED.replace('"cc"', '"note"') + "on = 0\n", 12, "pedals[0].taps.on", ["a note's end"]),
    (DECK + TAPPED + 'address = "/tap"\n', 12, "pedals[0].taps.address", ["says nothing"]),
    (
        DECK + TIMED.replace('"cc"', '"nrpn"').replace("20", "16383") + "points = [[20, 0], [900, 1]]\n",
        11,
        "pedals[0].times.number",
        ["is above 16382"],
    ),
    (
        DECK + TIMED.replace('"cc"', '"nrpn"').replace("20", "16384") + "points = [[20, 0], [900, 1]]\n",
        11,
        "pedals[0].times.number",
        ["is above 16383"],
    ),
    (DECK + TIMED, 9, "pedals[0].times.points", ["is missing", "0..127"]),
    (DECK + TIMED + "points = [[20, 0], [900, 128]]\n", 12, "pedals[0].times.points[1]", ["cannot carry", "0..127"]),
    (DECK + PEDAL + 'transport = ["song_position"]\n', 8, "pedals[0].transport", ["without", "continue"]),
    (
        DECK + PEDAL + 'transport = ["start", "continue"]\n',
        8,
        "pedals[0].transport",
        ['has "continue" without "stop", "song_position"'],
    ),
    (
        DECK + TAPPED + TAPPED.replace("long echo", "loop box"),
        18,
        "pedals[1].taps.message",
        ["says cc 93", '"long echo"', "line 11"],
    ),
    (
        DECK + TAPPED.replace('"taps"]', '"taps", "times"]').replace("93", "63") + PAIR,
        13,
        "pedals[0].times.message",
        ["says cc 63", '"long echo" takes in line 11'],
    ),
    (
        DECK + PEDAL + "delay_ms = [1000, 2000]\ntempo = [100, 200]\n",
        8,
        "pedals[0].delay_ms",
        ["no tempo keeps", "tempo (100..200 bpm)", "delay_ms (30..60 bpm)"],
    ),
    (
        DECK + PEDAL + "tempo = [40, 60]\n" + SECOND + "tempo = [200, 300]\n",
        11,
        "pedals[1].port",
        ["one clock", '"long echo" in line 4', "tempo (40..60 bpm), tempo (200..300 bpm)"],
    ),
    (
        DECK + PEDAL + "begin_tempo = 60\ndelay_ms = [20, 500]\n",
        8,
        "pedals[0].begin_tempo",
        ["= 60 is outside", "120..3000 bpm by its delay_ms"],
    ),
    (
        DECK + TAPPED.replace("[pedals.", "begin_tempo = 90\n[pedals."),
        9,
        "pedals[0].begin_tempo",
        ["the pedal has none"],
    ),
    (
        DECK + TAPPED.replace('"taps"]', '"taps"]\ntransport = ["start"]'),
        9,
        "pedals[0].transport",
        ["the pedal has none"],
    ),
    (
        DECK + OSC_TAPPED.replace("[osc]\nport = 9000\n", ""),
        9,
        "pedals[0].taps.message",
        ["nowhere to go", "[osc]"],
    ),
    (DECK + OSC_TAPPED.replace('"/tap"', '"tap"'), 10, "pedals[0].taps.address", ["is no OSC address"]),
    (DECK + OSC_TAPPED.replace('"/tap"', '"/tap*"'), 10, "pedals[0].taps.address", ["has * in it"]),
    (
        DECK + TIMED.replace("sync", "delay_ms = [20, 90]\nsync") + "points = [[100, 0], [900, 127]]\n",
        13,
        "pedals[0].times.points",
        ["makes no time within the pedal's delay_ms = [20, 90]"],
    ),
    # between tables
    (DECK + DECK, 5, "decks[1].name", ['= "north" is taken already, in line 2']),
    (DECK + PEDAL + PEDAL, 9, "pedals[1].name", ["is taken already, in line 5"]),
    (DECK + SOUTH + PEDAL.replace("north", "nroth"), 10, "pedals[0].listens_to", ['Did you mean "north"?', '"south"']),
    (
        DECK + SOUTH + PEDAL + SECOND.replace("north", "south"),
        13,
        "pedals[1].port",
        ["two clocks", '"long echo" (line 7)', '"loop box" (line 11)', "another port, or both the same listens_to"],
    ),
    (DECK + PEDAL + SECOND + 'ratio = "1/2"\n', 10, "pedals[1].port", ["no ratio", 'ratio = "1/2"', "the same ratio"]),
    (DECK + PEDAL + "begin_tempo = 90\n" + SECOND, 11, "pedals[1].port", ["begin_tempo = 90", "no begin_tempo"]),
    (
        DECK + PEDAL + "begin_tempo = 60\ntempo = [80, 200]\n",
        8,
        "pedals[0].begin_tempo",
        ["= 60 is outside the tempo that this pedal takes, 80..200 bpm"],
    ),
    (
        DECK.replace("[1, 2]", "[1, 2, 3, 4]")
        + SOUTH.replace("[3, 4]", "[5, 6, 7, 8]")
        + '[[decks]]\nname = "third"\nchannels = [9]\n',
        9,
        "decks[2].channels",
        ["makes 9 channels in all", "8 at most", "sound = false under [take]"],
    ),
    (
        DECK + "dry = [11, 12, 13, 14]\n" + SOUTH + "dry = [15, 16, 17, 18]\n"
        '[[decks]]\nname = "third"\nchannels = [5]\ndry = [19]\n',
        12,
        "decks[2].dry",
        ["makes 9 inputs of dry taps in all", "8 at most"],
    ),
]


@pytest.mark.parametrize(("text", "line", "key", "said"), FAULTS)
def test_one_fault_is_told_with_line_key_finding_and_remedy(
    text: str, line: int | None, key: str, said: list[str]
) -> None:
    (fault,) = faults(text)
    assert (fault.path, fault.line, fault.key) == ("rig.toml", line, key)
    assert fault.remedy[0].isupper()
    for words in said:
        assert words in str(fault)


def test_all_faults_are_told_at_once_in_the_order_of_their_lines() -> None:
    text = "[osc]\nprt = 1\n[sound]\nrate = 1\nblok = 64\n" + PEDAL.replace('"Pedals A"', "7")
    assert [(fault.line, fault.key) for fault in faults(text)] == [
        (None, "decks"),
        (2, "osc.prt"),
        (4, "sound.rate"),
        (5, "sound.blok"),
        (8, "pedals[0].port"),
        (9, "pedals[0].listens_to"),
    ]


def test_a_fault_reads_as_one_sentence_and_what_to_do() -> None:
    (fault,) = faults(DECK + PEDAL + "repeats_heard = 400\n")
    assert str(fault) == (
        "rig.toml line 8: pedals[0].repeats_heard = 400 is above 100. Give a whole number of repeats, 1..100"
    )


def test_a_file_that_cannot_be_read_is_refused_with_a_way_to_begin(tmp_path: Path) -> None:
    for path in (tmp_path / "absent.toml", tmp_path):
        with pytest.raises(RigError, match=r"cannot be read: .*\. Begin with a copy of"):
            read_rig(path)


def test_a_file_that_is_no_text_is_refused_at_the_line_where_that_shows(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(DECK.encode() + b'[take]\nname = "f\xe4hre"\n')
    with pytest.raises(RigError, match="line 5: byte 0xe4 is no UTF-8 text"):
        read_rig(path)


_JUNK = st.sampled_from([*"\n\n[]{}=.,'\"# 1", DECK, PEDAL, SECOND, "decks", "pedals", "sound", "nan", "port", "true"])


@given(text=st.lists(_JUNK, max_size=12).map("".join) | st.text())
def test_no_text_is_met_with_anything_but_a_rig_or_a_refusal(text: str) -> None:
    try:
        rig = parse_rig(text, "rig.toml")
    except RigError:
        return
    assert rig.decks


def test_more_channels_than_a_take_can_keep_are_welcome_when_none_are_kept() -> None:
    decks = DECK.replace("[1, 2]", "[1, 2, 3, 4]") + SOUTH.replace("[3, 4]", "[5, 6, 7, 8]")
    third = '[[decks]]\nname = "third"\nchannels = [9]\n'
    assert len(parse_rig(decks + third + "[take]\nsound = false\n", "rig.toml").decks) == 3
