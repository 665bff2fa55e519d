"""Rigs that can be used, and what is said of those that cannot."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import Fault, RigError
from bridge.rig import Deck, Midi, Osc, Pedal, Rig, SoundInput, TakePlan
from bridge.rig_text import parse_rig, read_rig

DECK = '[[decks]]\nname = "north"\nchannels = [1, 2]\n'
PEDAL = '[[pedals]]\nname = "long echo"\nport = "Pedals A"\nlistens_to = "north"\n'
SECOND = '[[pedals]]\nname = "loop box"\nport = "Pedals A"\nlistens_to = "north"\n'
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
        {PEDAL} sync = ["clock"]
        ratio = "3/4"
        delay_ms = [20, 1500]
        tempo = [40, 240]
        on_change = "jumps"
        repeats_heard = 9
        begin_tempo = 72
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
        listens_to="north",
        ratio=Fraction(3, 4),
        delay_ms=(20, 1500),
        tempo=(40, 240),
        on_change="jumps",
        repeats_heard=9,
        begin_tempo=72,
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
    (DECK + PEDAL + "channel = 3\n", 8, "pedals[0].channel", ["not a known key"]),
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
    (DECK + PEDAL + 'sync = ["taps"]\n', 8, "pedals[0].sync", ['= ["taps"] asks for a way', 'Write ["clock"]']),
    (DECK + PEDAL + "sync = []\n", 8, "pedals[0].sync", ["asks for a way"]),
    (DECK + PEDAL + 'ratio = "1/8"\n', 8, "pedals[0].ratio", ["is outside 1/4..4"]),
    (DECK + PEDAL + 'ratio = "1/0"\n', 8, "pedals[0].ratio", ["is no fraction"]),
    (DECK + PEDAL + 'ratio = "1/1 dotted"\n', 8, "pedals[0].ratio", ["is no fraction", '"2/3"']),
    (DECK + '[take]\nname = "../etc"\n', 5, "take.name", ["has / in it"]),
    (DECK + '[take]\nname = ".."\n', 5, "take.name", ["ends in a dot"]),
    (DECK.replace("north", "no\\nrth"), 2, "decks[0].name", ["cannot be shown"]),
    (DECK.replace("north", "n" * 41), 2, "decks[0].name", ["is longer than 40"]),
    (DECK + '[midi]\nvirtual = ["Pedals A", "Pedals A"]\n', 5, "midi.virtual", ["has Pedals A twice"]),
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
