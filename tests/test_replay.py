"""Sound files of every kind through the engine, and takes: what was kept gives the beats that were found live."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import chain, repeat
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from bridge import listener
from bridge.cli import main
from bridge.edge.audio import FileInput, SoundEnded
from bridge.edge.host_clock import now
from bridge.edge.link import EndAsked, Link
from bridge.errors import SoundFileError, TakeError
from bridge.events import BeatPlaced, DeckChanged, DeckChangeKind, Fact, FollowerChanged, SoundLost
from bridge.events_hand import TempoTold
from bridge.events_host import DryTapTurned
from bridge.journal import sound as sound_room
from bridge.journal.take import RIG_COPY
from bridge.records import from_record
from bridge.replay import Followed, follow_file, follow_take
from bridge.review.page import review_take
from bridge.review.read import read_take
from bridge.rig_text import parse_rig
from bridge.testing.clips import drum_loop
from bridge.testing.tape import Move, TapeMachine
from tests.review.sample import BEGAN
from tests.review.sound_take import take_with_sound


@pytest.fixture(scope="module")
def drums():
    """Twelve seconds of drums at 96 bpm, at 48 kHz, mono."""
    machine = TapeMachine()
    rng = np.random.default_rng(2)
    speed = machine.speed(12.0, (Move(time_s=0.2, speed=1.0),), rng)
    played = machine.play(drum_loop("gravel-path", name="gravel path", tempo=96.0), speed)
    return (played.sound + machine.hiss(speed, rng)).astype(np.float32)


def tempo_of(path, **more):
    beats = [beat.tempo for beat in follow_file(path, **more).beats()]
    return float(np.median(beats)) if beats else math.nan


@pytest.mark.parametrize(("name", "subtype"), [("d.wav", "PCM_24"), ("d.flac", "PCM_16"), ("d.wav", "FLOAT")])
def test_any_width_is_followed(tmp_path, drums, name, subtype):
    soundfile.write(tmp_path / name, drums, 48_000, subtype=subtype)
    assert tempo_of(tmp_path / name) == pytest.approx(96.0, rel=0.01)


@pytest.mark.parametrize(("rate", "step"), [(8_000, 6), (96_000, 0.5)])
def test_8_and_96_khz_are_followed(tmp_path, drums, rate, step):
    frames = np.arange(0, len(drums) - 1, step)
    sound = np.convolve(drums, np.ones(6) / 6, "same") if step > 1 else drums
    soundfile.write(tmp_path / "d.wav", np.interp(frames, np.arange(len(drums)), sound), rate)
    assert tempo_of(tmp_path / "d.wav") == pytest.approx(96.0, rel=0.01)


def test_eight_channels_are_heard_as_one(tmp_path, drums):
    sound = np.zeros((len(drums), 8), np.float32)
    sound[:, ::2] = drums[:, None]
    soundfile.write(tmp_path / "d.wav", sound, 48_000)
    assert tempo_of(tmp_path / "d.wav") == pytest.approx(96.0, rel=0.01)


def test_samples_that_are_no_numbers_are_heard_as_silence_and_told(tmp_path, drums):
    sound = drums.copy()
    sound[30_000:30_100] = np.nan
    sound[60_000] = np.inf
    soundfile.write(tmp_path / "d.wav", sound, 48_000, subtype="FLOAT")
    followed = follow_file(tmp_path / "d.wav")
    assert np.median([beat.tempo for beat in followed.beats()]) == pytest.approx(96.0, rel=0.01)
    [told] = [fact for fact in followed.facts if isinstance(fact, SoundLost)]
    assert told.why == "101 samples were no numbers, heard as silence"


def test_a_truncated_file_is_followed_to_where_it_is_sound_and_told(tmp_path, drums):
    soundfile.write(tmp_path / "d.wav", drums, 48_000, subtype="PCM_16")
    whole = (tmp_path / "d.wav").read_bytes()
    (tmp_path / "d.wav").write_bytes(whole[: 9 * len(whole) // 10])
    followed = follow_file(tmp_path / "d.wav")
    assert followed.length_s == pytest.approx(0.9 * len(drums) / 48_000, abs=0.01)
    assert "cut short" in followed.as_text()
    assert "copy or record the file again" in followed.as_text()
    assert followed.beats()


def test_a_file_of_which_nothing_is_left_but_its_header_is_refused(tmp_path, drums):
    soundfile.write(tmp_path / "d.flac", drums, 48_000)
    whole = (tmp_path / "d.flac").read_bytes()
    (tmp_path / "d.flac").write_bytes(whole[:100])
    done = CliRunner().invoke(main, ["follow", str(tmp_path / "d.flac")])
    assert done.exit_code == 1
    assert "nothing of it could be read. Copy or record it again." in done.stderr


@pytest.mark.parametrize(
    ("content", "complaint"),
    [(b"", "is empty, 0 bytes"), (b"a letter from the ferry", "is no sound file"), (None, "cannot be read")],
)
def test_what_is_no_sound_file_is_refused_with_what_to_do(tmp_path, content, complaint):
    path = tmp_path / "d.wav"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SoundFileError, match=rf"d\.wav: the file {complaint}.*\. \w+.*\."):
        follow_file(path)


@pytest.mark.parametrize(("hint", "wanted"), [(96.0, 96.0), (48.0, 48.0), (190.0, 192.0)])
def test_a_tempo_hint_says_which_octave_is_meant(tmp_path, drums, hint, wanted):
    soundfile.write(tmp_path / "d.wav", drums, 48_000)
    assert tempo_of(tmp_path / "d.wav", tempo_hint=hint) == pytest.approx(wanted, rel=0.02)


def test_beats_are_written_as_beat_time_and_time_known(tmp_path, drums):
    soundfile.write(tmp_path / "d.wav", drums, 48_000)
    followed = follow_file(tmp_path / "d.wav")
    followed.write_beats(tmp_path / "beats.tsv")
    rows = np.loadtxt(tmp_path / "beats.tsv", delimiter="\t")
    assert rows.shape == (len(followed.beats()), 2)
    assert rows[:, 0] == pytest.approx([beat.at for beat in followed.beats()], abs=1e-6)
    assert (np.diff(rows[:, 0]) > 0).all()


def test_a_file_without_a_beat_writes_no_row(tmp_path):
    soundfile.write(tmp_path / "d.wav", np.zeros(48_000), 48_000)
    followed = follow_file(tmp_path / "d.wav")
    followed.write_beats(tmp_path / "beats.tsv")
    assert (tmp_path / "beats.tsv").read_bytes() == b""
    assert "0 beats" in followed.as_text()


def changed(at: float, change: DeckChangeKind, before: float | None, after: float | None, known: float) -> DeckChanged:
    levels = {"level_before_db": -20.0, "level_after_db": -20.0}
    tempos = {"tempo_before": before, "tempo_after": after}
    return DeckChanged(at=at, deck="north", change=change, known=known, **tempos, **levels)


def test_changes_of_the_deck_are_told_among_the_stretches_and_a_stretch_ends_where_the_tempo_jumps(tmp_path):
    def beats(first: int, begin: float, tempo: float, count: int) -> list[Fact]:
        times = [begin + n * 60 / tempo for n in range(count)]
        return [
            BeatPlaced(at=at, deck="north", index=first + n, tempo=tempo, confidence=1.0, known=at)
            for n, at in enumerate(times)
        ]

    facts = (
        changed(2.0, "started", None, None, 2.04),
        FollowerChanged(at=2.04, deck="north", was="idle", now="listening"),
        FollowerChanged(at=5.0, deck="north", was="listening", now="following"),
        *beats(0, 5.0, 60.0, 26),
        changed(28.0, "speed switch", 60.0, 120.0, 30.9),
        *beats(26, 31.0, 120.0, 12),
        *beats(38, 37.0, 122.0, 12),
    )
    assert Followed(path=tmp_path, length_s=44.0, facts=facts, decks=("north", "south")).as_text().splitlines()[1:] == [
        "  north: 50 beats",
        "  0:00 to 0:02  idle",
        "  0:02  started",
        "  0:02 to 0:05  listening",
        "  0:05 to 0:31  following  60.00 bpm",
        "  0:28  speed switch, 60.0 to 120.0 bpm (noticed 2.9 s later)",
        "  0:31 to 0:44  following  121.00 bpm",
        "  south: 0 beats",
        "  0:00 to 0:44  idle",
    ]


def test_a_tape_at_another_tempo_is_told_once_where_its_beat_is_found(tmp_path):
    """The first beat of the new tempo and the follower's turn come together: no stretch of no length lies between."""
    one, other = (
        BeatPlaced(at=at, deck="north", index=n, tempo=tempo, confidence=1.0, known=at)
        for n, (at, tempo) in enumerate([(9.0, 84.0), (20.03, 118.0)])
    )
    turns = [(8.0, "listening", "following"), (10.0, "following", "idle"), (20.0, "idle", "following")]
    facts = [FollowerChanged(at=at, deck="north", was=was, now=now) for at, was, now in turns]
    followed = Followed(path=tmp_path, length_s=30.0, facts=(*facts, one, other), decks=("north",))
    assert list(followed.stretches("north")) == [
        (0.0, 8.0, "idle", None),
        (8.0, 10.0, "following", 84.0),
        (10.0, 20.0, "idle", None),
        (20.0, 30.0, "following", 118.0),
    ]


def test_json_holds_every_fact(tmp_path, drums):
    soundfile.write(tmp_path / "d.wav", drums, 48_000)
    followed = follow_file(tmp_path / "d.wav")
    told = json.loads(followed.as_json())
    assert [from_record(record) for record in told["facts"]] == list(followed.facts)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.85])
def test_a_file_cut_at_t_gives_exactly_the_rows_that_were_known_by_t(tmp_path, drums, share):
    soundfile.write(tmp_path / "whole.wav", drums, 48_000)
    cut = int(share * len(drums))
    soundfile.write(tmp_path / "cut.wav", drums[:cut], 48_000)
    whole = [beat for beat in follow_file(tmp_path / "whole.wav").beats() if beat.known <= cut / 48_000]
    assert follow_file(tmp_path / "cut.wav").beats() == whole
    assert all(isinstance(beat, BeatPlaced) for beat in whole)


RATE = 48_000

TAPPED = """
[[decks]]
name = "north"
channels = [4]

[[decks]]
name = "south"
channels = [1, 2]
dry = [3]

[[pedals]]
name = "long echo"
port = "Pedals A"
listens_to = "south"
"""


def tapped_tape(path: Path) -> None:
    """Write 36 s at 96 bpm: south with an echo, its dry tap, which is unplugged from 11 to 25 s, and north."""
    machine, rng = TapeMachine(), np.random.default_rng(5)
    speed = machine.speed(36.0, (Move(time_s=0.2, speed=1.0),), rng)
    dry = 0.5 * machine.play(drum_loop("gravel-path", name="gravel path", tempo=96.0), speed).sound
    dry = dry + machine.hiss(speed, rng)
    late = round(0.41 * RATE)
    mix = dry.copy()
    mix[late:] += 0.7 * dry[:-late]
    tap = dry.copy()
    tap[11 * RATE : 25 * RATE] = 0.0
    soundfile.write(path, np.stack([mix, 0.5 * mix, tap, 0.5 * dry], axis=1), RATE, subtype="PCM_24")


@pytest.fixture(scope="module")
def tapped(tmp_path_factory):
    """A take of two starts of the real listener, which heard a file as if live, faster than it lasts; and its facts."""
    home = tmp_path_factory.mktemp("tapped")
    folder = home / "night"
    folder.mkdir()
    tapped_tape(home / "tape.wav")
    (folder / RIG_COPY).write_text(TAPPED)
    rig = parse_rig(TAPPED, "rig.toml")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sound_room, "QUEUE_S", 1e6)
        for start in (1, 2):
            sender, theirs = Link.pair()
            patch.setattr(listener, "FileInput", hasty(sender))
            listener.listen(theirs, start, rig, folder, "the bridge plays", (home / "tape.wav", now()))
            sender.close()
    return folder, read_take(folder).facts


def hasty(sender: Link):
    """Return a file's input whose host clock has run far ahead, so that it is always due; its end asks for the end."""

    class Hasty(FileInput):
        def __init__(self, path, pace, *, block, begin_at):
            clock = chain([begin_at], repeat(1e12))
            super().__init__(path, pace, block=block, now=lambda: next(clock))

        def read(self, timeout_s):
            if isinstance(event := super().read(timeout_s), SoundEnded):
                sender.send(EndAsked("Ctrl-C"))
            return event

    return Hasty


def engines(facts, began: float) -> list[Fact]:
    """Return what engines made of the sound, in seconds of the take, without the last bit of their times."""
    made = []
    for fact in facts:
        if isinstance(fact, BeatPlaced | DryTapTurned):
            fact = replace(fact, at=round(fact.at - began, 5))
            made.append(replace(fact, known=round(fact.known - began, 5)) if isinstance(fact, BeatPlaced) else fact)
    return made


@pytest.mark.parametrize("block", [1024, 333])
def test_a_take_gives_the_beats_that_were_found_live_also_where_a_dry_tap_falls_silent(tapped, block):
    folder, facts = tapped
    live = engines(facts, read_take(folder).began)
    assert [fact.is_heard for fact in live if isinstance(fact, DryTapTurned)] == [False, True] * 2
    assert len([fact for fact in live if isinstance(fact, BeatPlaced) and fact.deck == "south"]) > 40
    assert engines(follow_take(folder, block=block).facts, 0.0) == live


def test_a_take_whose_tap_was_not_kept_is_heard_by_its_channels_and_that_is_told(tapped, tmp_path):
    folder = copied(tapped[0], tmp_path, leave_out="tap-")
    again = follow_take(folder)
    assert "the dry tap of south is not in the take; the channels are heard" in again.as_text()
    assert not any(isinstance(fact, DryTapTurned) for fact in again.facts)
    assert again.beats("south")


def test_where_one_of_sound_and_tap_is_missing_nothing_is_heard_and_that_is_told(tapped, tmp_path):
    """The first file of the tap is torn, as kill -9 leaves it: what stands before the tear gives the same beats."""
    folder = copied(tapped[0], tmp_path)
    torn = folder / "tap-001-000000000000.flac"
    torn.write_bytes(torn.read_bytes()[: torn.stat().st_size // 2])
    again = follow_take(folder)
    firsts = [[beat for beat in beats if beat.known < 8.0] for beats in (again.beats(), follow_take(tapped[0]).beats())]
    assert engines(firsts[0], 0.0) == engines(firsts[1], 0.0) != []
    assert engines(follow_take(folder, block=333).facts, 0.0) == engines(again.facts, 0.0)


def test_the_review_hears_nothing_of_the_tap(tapped):
    measured = review_take(tapped[0]).measured
    assert measured is not None
    assert (measured.names(), measured.powers.shape[1]) == (("south", "north"), 3)


def copied(folder: Path, to: Path, leave_out: str = "nothing") -> Path:
    for path in folder.iterdir():
        if not path.name.startswith(leave_out):
            (to / path.name).write_bytes(path.read_bytes())
    return to


def test_what_was_told_of_a_tape_is_told_again(tmp_path, drums):
    told = [TempoTold(at=BEGAN + 0.5, deck="north", tempo=48.0)]
    folder = take_with_sound(tmp_path / "night", drums[:, None], RATE, facts=told, decks=("north",))
    (folder / RIG_COPY).write_text(TAPPED.partition("\n\n")[0].replace("[4]", "[1]"))
    assert np.median([beat.tempo for beat in follow_take(folder).beats()]) == pytest.approx(48.0, rel=0.02)


def test_a_take_thinned_out_is_heard_where_it_has_sound_and_the_rest_is_told(tmp_path, drums):
    sound = np.concatenate([drums] * 12)[:, None]
    folder = take_with_sound(tmp_path / "night", sound, RATE, decks=("north",))
    (folder / RIG_COPY).write_text(TAPPED.partition("\n\n")[0].replace("[4]", "[1]"))
    (folder / f"sound-001-{60 * RATE:012}.flac").unlink()
    again = follow_take(folder)
    [lost] = [fact for fact in again.facts if isinstance(fact, SoundLost)]
    assert (lost.frames, round(lost.at)) == (60 * RATE, 120)
    assert not [beat for beat in again.beats() if 62.0 < beat.at < 119.0]


def test_a_take_on_the_command_line_tells_its_decks_apart(tapped, tmp_path):
    done = CliRunner().invoke(main, ["follow", str(tapped[0]), "--beats", str(tmp_path / "beats.tsv")])
    assert done.exit_code == 0, done.output
    assert "  south: " in done.output
    rows = [line.split("\t") for line in (tmp_path / "beats.tsv").read_text().splitlines()]
    assert {row[2] for row in rows} == {"north", "south"}
    assert CliRunner().invoke(main, ["follow", str(tapped[0]), "--tempo-hint", "90"]).exit_code == 2


def test_a_take_that_cannot_be_heard_again_is_refused_with_what_to_do(tmp_path, drums):
    folder = take_with_sound(tmp_path / "night", drums[:, None], RATE, decks=("north",))
    (folder / RIG_COPY).write_text(TAPPED.partition("\n\n")[0].replace("[4]", "[1, 2]"))
    with pytest.raises(TakeError, match=r"holds 1 channel at 48000 Hz, its rig.toml wants 2 at 48000"):
        follow_take(folder)
    (folder / "sound-001-000000000000.flac").unlink()
    with pytest.raises(TakeError, match="no sound of this take was kept"):
        follow_take(folder)


def test_a_take_without_its_rig_says_so(tmp_path):
    (tmp_path / "journal.jsonl").touch()
    with pytest.raises(TakeError, match=r"rig\.toml: is not there, .*Put it back"):
        follow_take(tmp_path)
