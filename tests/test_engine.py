"""Sound in, facts out: the two laws of the engine, and how its parts meet."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.engine import Engine
from bridge.events import (
    BeatPlaced,
    DeckChanged,
    Fact,
    FollowerChanged,
    LevelHeard,
    PedalTold,
    SoundHeard,
)
from bridge.events_foot import ActionRefused
from bridge.events_hand import (
    BeatRecounted,
    HandsOff,
    HandsOn,
    PedalTurned,
    TapeChosen,
    TempoKept,
    TempoLetGo,
    TempoNudged,
    TempoTold,
)
from bridge.events_host import DryTapTurned, NetLost
from bridge.rig import Deck, Pedal, Rig, SoundInput
from bridge.testing.beds import fog_signal
from bridge.testing.clips import drum_loop
from bridge.testing.echo import EchoLoop
from bridge.testing.tape import Move, TapeMachine
from bridge.weights import learned
from tests.follow.sounds import RATE as DRUMS_RATE
from tests.follow.sounds import drums, dulled_at_half

RATE = 22_050
LONG_ECHO = Pedal(name="long echo", port="Pedals A", listens_to="north")
RIG = Rig(
    path="test",
    sound=SoundInput(),
    decks=(Deck(name="north", channels=(1,), tempo_range=(60, 130)), Deck(name="south", channels=(2,))),
    pedals=(LONG_ECHO,),
)


@functools.cache
def night() -> np.ndarray:
    """Eighteen seconds: drums at 96 bpm on north from 2 s to 13 s, then its beat is gone; a bed on south."""
    machine = TapeMachine(rate=RATE)
    rng = np.random.default_rng(3)
    speed = machine.speed(18.0, (Move(time_s=2.0, speed=1.0),), rng)
    drums = machine.play(drum_loop("gravel-path", name="gravel path", tempo=96.0), speed).sound
    drums[13 * RATE :] *= 1e-2
    bed = 0.2 * machine.play(fog_signal(30.0, rng), machine.speed(18.0, (Move(time_s=0.0, speed=1.0),), rng)).sound
    hiss = machine.hiss(speed, rng)
    sound = np.stack([drums + bed + hiss, bed], axis=1).astype(np.float32)
    sound.setflags(write=False)
    return sound


def heard(sound: np.ndarray, blocks: list[int], engine: Engine | None = None) -> list[Fact]:
    """Feed sound in blocks of the given lengths, over and over, and return all facts."""
    engine = engine or Engine(RIG, RATE, learned())
    facts, frame, turn = [], 0, 0
    while frame < len(sound):
        block = sound[frame : frame + blocks[turn % len(blocks)]]
        facts += engine.handle(SoundHeard(frame=frame, at=frame / RATE, samples=block))
        frame, turn = frame + len(block), turn + 1
    return facts


def in_frames(facts: list[Fact]) -> list[dict[str, object]]:
    """Return facts with their times in frames, to a thousandth: host time is only put on at the way out."""
    times = {"at", "known"}
    return [
        {"fact": type(fact).__name__}
        | {
            f.name: round(getattr(fact, f.name) * RATE, 3) if f.name in times else getattr(fact, f.name)
            for f in dataclasses.fields(fact)
        }
        for fact in facts
    ]


@functools.cache
def whole() -> tuple[Fact, ...]:
    """The facts of the whole sound in blocks of 512."""
    return tuple(heard(night(), [512]))


@pytest.mark.parametrize("block", [32, 97, 1000, 4096])
def test_any_block_size_gives_the_same_facts(block):
    assert in_frames(heard(night(), [block])) == in_frames(list(whole()))


@pytest.mark.parametrize("follower", ["onsets", "aubio"])
def test_whatever_finds_the_beat_the_laws_hold_and_the_pedal_is_told(follower):
    """Any block size gives the same facts, and a sound cut at t those of the whole that were known by t."""
    rig = dataclasses.replace(RIG, decks=tuple(dataclasses.replace(deck, follower=follower) for deck in RIG.decks))
    facts = heard(night(), [512], Engine(rig, RATE, learned()))
    assert in_frames(heard(night(), [97, 2000], Engine(rig, RATE, learned()))) == in_frames(facts)
    cut = heard(night()[: 512 * 500], [512], Engine(rig, RATE, learned()))
    assert len(cut) > 20
    assert facts[: len(cut)] == cut
    told = [fact.tempo for fact in facts if isinstance(fact, PedalTold)]
    assert told[-1] == pytest.approx(96.0, rel=0.02)


def test_a_net_that_could_not_be_read_is_told_once_where_a_deck_should_go_by_it():
    without = dataclasses.replace(learned().onsets_alone(), lack="weights.npz: no net to follow by (absent)")
    facts = heard(night(), [512], Engine(RIG, RATE, without))
    assert [fact for fact in facts if isinstance(fact, NetLost)] == [NetLost(at=0.0, why=without.lack)]
    assert any(isinstance(fact, BeatPlaced) for fact in facts)
    rig = dataclasses.replace(RIG, decks=tuple(dataclasses.replace(deck, follower="aubio") for deck in RIG.decks))
    assert not [fact for fact in heard(night()[:8192], [512], Engine(rig, RATE, without)) if isinstance(fact, NetLost)]


@settings(max_examples=5, deadline=None)
@given(st.lists(st.integers(32, 4096), min_size=1, max_size=8))
def test_any_mixture_of_block_sizes_gives_the_same_facts(blocks):
    assert in_frames(heard(night(), blocks)) == in_frames(list(whole()))


def known_at(fact: Fact) -> float:
    """Return when a fact was known."""
    return getattr(fact, "known", fact.at)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 18 * RATE))
def test_a_sound_cut_at_t_gives_what_was_known_by_t(cut):
    wanted = [fact for fact in whole() if known_at(fact) * RATE <= cut + 0.5]
    assert in_frames(heard(night()[:cut], [700])) == in_frames(wanted)


def test_a_beat_is_found_followed_and_held_when_it_goes():
    states = [fact.now for fact in whole() if isinstance(fact, FollowerChanged) and fact.deck == "north"]
    assert states == ["listening", "following", "holding"]
    tempi = [fact.tempo for fact in whole() if isinstance(fact, BeatPlaced) and fact.at > 9]
    assert np.median(tempi) == pytest.approx(96.0, rel=0.01)


def test_a_bed_has_no_beat():
    assert not [fact for fact in whole() if isinstance(fact, BeatPlaced) and fact.deck == "south"]


def test_nothing_is_told_to_a_pedal_before_a_beat_was_found():
    first = next(i for i, fact in enumerate(whole()) if isinstance(fact, PedalTold))
    assert any(isinstance(fact, FollowerChanged) and fact.now == "following" for fact in whole()[:first])
    assert whole()[first].why == "begin"


def test_nothing_is_told_while_the_beat_is_gone():
    held = next(fact.at for fact in whole() if isinstance(fact, FollowerChanged) and fact.now == "holding")
    assert not [fact for fact in whole() if isinstance(fact, PedalTold) and fact.at > held]


def test_beats_are_numbered_one_by_one_and_only_move_forward():
    beats = [fact for fact in whole() if isinstance(fact, BeatPlaced)]
    assert len(beats) > 10
    assert [beat.index for beat in beats] == list(range(beats[0].index, beats[0].index + len(beats)))
    assert np.all(np.diff([beat.at for beat in beats]) > 0)


def test_the_level_of_each_deck_is_told_every_second():
    levels = [fact for fact in whole() if isinstance(fact, LevelHeard) and fact.deck == "south"]
    assert 17 <= len(levels) <= 19
    power = np.mean(night()[5 * RATE : 17 * RATE, 1] ** 2)
    told = [level.level_db for level in levels if 5 < level.at < 17]
    assert np.mean(told) == pytest.approx(10 * np.log10(power), abs=1.5)


def test_when_only_echoes_of_the_clock_are_left_the_tempo_is_held_and_no_pedal_is_told_anything():
    """The drums stop after 12 s; a pedal with a feedback of 0.9 and no other sound keeps repeating them."""
    rig = dataclasses.replace(RIG, decks=RIG.decks[:1])
    loop = EchoLoop(rig, RATE, Engine(rig, RATE, learned()).handle, feedback=0.9, level_db=0.0)
    sound = np.where(np.arange(20 * RATE) < 12 * RATE, np.pad(night()[:, 0], (0, 2 * RATE)), 0.0)
    facts = [fact for at in range(0, len(sound), 441) for fact in loop.play(sound[at : at + 441])]
    moves = [fact for fact in facts if isinstance(fact, FollowerChanged) and fact.at > 6]
    assert [move.now for move in moves] == ["holding"]
    assert 13 < moves[0].at < 16
    assert not [fact for fact in facts if isinstance(fact, PedalTold | BeatPlaced) and fact.at > moves[0].at]


def tapped_night() -> np.ndarray:
    """The night's mix of both decks on two inputs, and north's drums on a third: its plug is out from 5 s on."""
    mix = night().sum(axis=1)
    dry = np.where(np.arange(len(mix)) < 5 * RATE, night()[:, 0], 0.0)
    return np.stack([mix, mix, dry], axis=1).astype(np.float32)


@pytest.mark.parametrize("block", [97, 4096])
def test_a_deck_with_a_dry_tap_is_levelled_by_its_channels_and_gives_the_same_facts_for_any_block(block):
    rig = dataclasses.replace(RIG, decks=(dataclasses.replace(RIG.decks[0], channels=(1, 2), dry=(3,)),))
    sound = np.concatenate([tapped_night(), tapped_night()])
    facts = heard(sound, [512], Engine(rig, RATE, learned()))
    assert in_frames(heard(sound, [block], Engine(rig, RATE, learned()))) == in_frames(facts)
    turns = [(round(fact.at), fact.is_heard) for fact in facts if isinstance(fact, DryTapTurned)]
    assert turns == [(16, False), (18, True), (34, False)]
    levels = [fact.level_db for fact in facts if isinstance(fact, LevelHeard) and 11 < fact.at < 17]
    power = np.mean(sound[11 * RATE : 17 * RATE, 0] ** 2)
    mean = np.mean(10.0 ** (np.array(levels) / 10))
    assert 10 * np.log10(mean) == pytest.approx(10 * np.log10(power), abs=1.5)  # though the tap is silent there
    assert [fact.change for fact in facts if isinstance(fact, DeckChanged)][:3] == ["started", "stopped", "started"]
    tempo = np.median([fact.tempo for fact in facts if isinstance(fact, BeatPlaced)])
    assert tempo == pytest.approx(96.0, rel=0.02)  # there are three seconds of drums


def test_a_deck_that_starts_is_noticed_with_its_level_before_and_after():
    [started] = [fact for fact in whole() if isinstance(fact, DeckChanged) and fact.change == "started"][-1:]
    assert started.level_after_db > started.level_before_db


def test_an_engine_that_takes_over_keeps_what_the_pedal_was_told():
    engine = Engine(RIG, RATE, learned())
    engine.resume(PedalTold(at=0.0, pedal="long echo", deck="north", tempo=96.0, ratio=1.0, why="drift"))
    engine.resume(PedalTold(at=0.0, pedal="gone from the rig", deck="north", tempo=50.0, ratio=1.0, why="drift"))
    told = [fact for fact in heard(night(), [512], engine) if isinstance(fact, PedalTold)]
    assert all(fact.why == "drift" and fact.tempo == pytest.approx(96.0, rel=0.02) for fact in told)


HAD = PedalTold(at=0.0, pedal="long echo", deck="north", tempo=110.0, ratio=1.0, why="drift")


def orders(engine: Engine, begin_s: float, end_s: float) -> list[PedalTold]:
    """What an engine orders while it hears a part of the night."""
    facts = []
    for frame in range(round(begin_s * RATE), round(end_s * RATE), 441):
        samples = night()[frame : frame + 441]
        facts += engine.handle(SoundHeard(frame=frame, at=frame / RATE, samples=samples))
    return [fact for fact in facts if isinstance(fact, PedalTold)]


def test_a_kept_tempo_stays_until_it_is_let_go():
    """The pedal had 110 bpm; the tape has 96, which another deck's word does not keep from it."""
    engine = Engine(RIG, RATE, learned())
    engine.resume(HAD)
    engine.obey(TempoKept(at=0.0, deck="north"))
    engine.obey(TempoLetGo(at=0.0, deck="south"))
    assert orders(engine, 0.0, 10.0) == []
    engine.obey(TempoLetGo(at=10.0, deck="north"))
    [told] = orders(engine, 10.0, 11.0)
    assert (told.why, told.tempo) == ("step", pytest.approx(96.0, rel=0.01))


def test_a_pedal_with_hands_off_is_told_nothing_and_with_hands_on_what_is_heard_at_once():
    engine = Engine(RIG, RATE, learned())
    engine.resume(HAD)
    engine.obey(HandsOff(at=0.0, pedal="long echo"))
    engine.obey(HandsOff(at=0.0, pedal="gone from the rig"))
    assert orders(engine, 0.0, 10.0) == []
    [told] = engine.obey(HandsOn(at=10.0, pedal="long echo"))
    assert isinstance(told, PedalTold)
    assert (told.why, told.tempo) == ("hands on", pytest.approx(96.0, rel=0.01))
    assert told.at == pytest.approx(10.0, abs=0.05)


def test_a_nudged_tempo_is_told_at_once_and_kept():
    """A first nudge of 1 % moves the 110 bpm that the pedal had, whatever the tape does."""
    engine = Engine(RIG, RATE, learned())
    engine.resume(HAD)
    [told] = engine.obey(TempoNudged(at=0.0, deck="north", percent=1.0))
    assert isinstance(told, PedalTold)
    assert (told.why, told.tempo) == ("by hand", pytest.approx(111.1))
    assert orders(engine, 0.0, 10.0) == []
    assert engine.obey(TempoNudged(at=10.0, deck="south", percent=1.0)) == []


def test_a_pedal_that_listens_to_another_deck_is_told_that_ones_tempo_only():
    engine = Engine(RIG, RATE, learned())
    engine.resume(HAD)
    engine.obey(PedalTurned(at=0.0, pedal="long echo", deck="south"))
    assert orders(engine, 0.0, 10.0) == []
    [told] = engine.obey(PedalTurned(at=10.0, pedal="long echo", deck="north"))
    assert isinstance(told, PedalTold)
    assert (told.deck, told.why, told.tempo) == ("north", "step", pytest.approx(96.0, rel=0.01))
    with pytest.raises(ValueError, match="'west' is not in the rig"):
        engine.obey(PedalTurned(at=10.0, pedal="long echo", deck="west"))


def test_a_pedal_that_is_turned_to_a_deck_whose_tempo_is_kept_gets_it_and_keeps_it_too():
    """As it would after a restart, where what stands by hand is told anew."""
    engine = Engine(RIG, RATE, learned())
    engine.resume(HAD)
    engine.obey(PedalTurned(at=0.0, pedal="long echo", deck="south"))
    assert orders(engine, 0.0, 10.0) == []
    engine.obey(TempoKept(at=10.0, deck="north"))
    [told] = engine.obey(PedalTurned(at=10.0, pedal="long echo", deck="north"))
    assert (told.why, told.tempo) == ("step", pytest.approx(96.0, rel=0.01))
    assert engine.obey(TempoNudged(at=10.0, deck="north", percent=1.0))[0].tempo == pytest.approx(1.01 * told.tempo)
    assert orders(engine, 10.0, 12.0) == []
    engine.obey(TempoLetGo(at=12.0, deck="north"))
    assert orders(engine, 12.0, 14.0) != []


def test_how_a_deck_stands_is_what_its_follower_holds():
    """Its beats at that instant are those that were placed, with a fraction."""
    engine = Engine(RIG, RATE, learned())
    facts = heard(night()[: 10 * RATE], [512], engine)
    north, south = engine.stands
    last = [fact for fact in facts if isinstance(fact, BeatPlaced)][-1]
    assert (north.deck, north.state, north.runs, south.state, south.beats) == (
        "north",
        "following",
        True,
        "listening",
        None,
    )
    assert north.at == pytest.approx(10.0, abs=1 / RATE)
    assert north.beats == pytest.approx(last.index + (north.at - last.at) * last.tempo / 60.0, abs=0.03)


def test_a_recount_out_of_the_decks_range_is_refused_in_words_and_a_tape_with_its_tempo_is_taken():
    engine = Engine(RIG, RATE, learned())
    heard(night()[: 10 * RATE], [512], engine)
    [refused] = engine.obey(BeatRecounted(at=10.0, deck="north", factor=2.0))
    assert isinstance(refused, ActionRefused)
    assert refused.action == "twice: north"
    assert "60..130 bpm" in refused.why
    assert engine.obey(TapeChosen(at=10.0, deck="north", tape="gravel path", tempo=96.0)) == []
    assert engine.status[0].tempo == pytest.approx(96.0, rel=0.01)


def test_a_pedal_that_needs_the_beat_is_told_where_it_falls():
    """As the last beat placed has it, to 15 ms in the second in which the tempo settles, to 10 ms from then on."""
    rig = dataclasses.replace(RIG, pedals=(dataclasses.replace(LONG_ECHO, name="stutter", needs="beat"),))
    facts = heard(night(), [512], Engine(rig, RATE, learned()))
    beats = np.array([fact.at for fact in facts if isinstance(fact, BeatPlaced)])
    told = [fact for fact in facts if isinstance(fact, PedalTold)]
    assert told[0].why == "begin"
    for fact in told:
        assert fact.beat_at is not None
        last = beats[np.searchsorted(beats, fact.at, "right") - 1]
        off = (fact.beat_at - last) * fact.tempo / 60
        assert abs(off - round(off)) * 60 / fact.tempo < (0.01 if fact.at > told[0].at + 1.5 else 0.015)


def test_a_short_gap_counts_as_silence_and_musical_time_goes_on():
    """A third of a second is lost while the beat is followed: beats after it fall where they would have fallen."""
    sound, gap = night(), slice(9 * RATE, 9 * RATE + RATE // 3)
    engine = Engine(RIG, RATE, learned())
    facts = heard(sound[: gap.start], [512], engine)
    for frame in range(gap.stop, len(sound), 512):
        facts += engine.handle(SoundHeard(frame=frame, at=frame / RATE, samples=sound[frame : frame + 512]))
    late = [fact.at for fact in facts if isinstance(fact, BeatPlaced) and 10 < fact.at < 12.5]
    wanted = [fact.at for fact in whole() if isinstance(fact, BeatPlaced) and 10 < fact.at < 12.5]
    assert late == pytest.approx(wanted, abs=0.03)


def test_sound_that_runs_backwards_is_refused():
    engine = Engine(RIG, RATE, learned())
    engine.handle(SoundHeard(frame=0, at=0.0, samples=np.zeros((512, 2), np.float32)))
    with pytest.raises(ValueError, match="go on from frame 512, got a block at frame 100"):
        engine.handle(SoundHeard(frame=100, at=0.0, samples=np.zeros((512, 2), np.float32)))


def test_sound_without_a_channel_of_the_rig_is_refused():
    with pytest.raises(ValueError, match="deck 'south' needs channel 2, the sound has 1"):
        Engine(RIG, RATE, learned()).handle(SoundHeard(frame=0, at=0.0, samples=np.zeros((512, 1), np.float32)))


def test_a_deck_that_comes_into_a_mix_and_leaves_it_is_told_as_not_sure():
    """Both channels as a mixer's output: the bed goes on while the drums come at 2 s and go at 13 s."""
    deck = Deck(name="mixer", channels=(1, 2), mixed=True, tempo_range=(60, 130))
    pedal = dataclasses.replace(LONG_ECHO, listens_to="mixer")
    engine = Engine(Rig(path="test", sound=SoundInput(), decks=(deck,), pedals=(pedal,)), RATE, learned())
    changes = [fact for fact in heard(night(), [512], engine) if isinstance(fact, DeckChanged)]
    told = [(change.change, change.sure) for change in changes]
    assert told == [("started", True), ("started", False), ("stopped", False)]
    assert [change.at for change in changes[1:]] == pytest.approx([2.0, 13.0], abs=0.8)


def test_a_suspected_switch_of_speed_lets_go_of_the_octave_that_was_told():
    deck = Deck(name="north", channels=(1,), tempo_range=(31.0, 213.0))
    engine = Engine(Rig(path="", sound=SoundInput(), decks=(deck,)), DRUMS_RATE, learned())
    engine.obey(TempoTold(at=0.0, deck="north", tempo=119.0))
    facts = engine.handle(SoundHeard(frame=0, at=0.0, samples=dulled_at_half("gravel-path")[:, None]))
    beats = [fact.tempo for fact in facts if isinstance(fact, BeatPlaced)]
    assert beats[5] == pytest.approx(118.8, rel=0.03)
    assert beats[-1] == pytest.approx(59.4, rel=0.03)
    assert not [fact for fact in facts if isinstance(fact, DeckChanged) and fact.change != "started"]


@pytest.mark.parametrize(("first", "second"), [("gravel-path", "winch-room"), ("winch-room", "gravel-path")])
def test_a_tape_an_octave_beside_the_one_that_was_told_is_counted_as_it_is(first, second):
    """Spliced, so that no stop gives it away, and at the same beats, so that no tempo does."""
    deck = Deck(name="north", channels=(1,), tempo_range=(31.0, 213.0))
    engine = Engine(Rig(path="", sound=SoundInput(), decks=(deck,)), DRUMS_RATE, learned())
    tempos = (118.0, 59.0) if first == "gravel-path" else (59.0, 118.0)
    engine.obey(TempoTold(at=0.0, deck="north", tempo=tempos[0]))
    sound = np.concatenate([drums(first, tempos[0], 24.0), drums(second, tempos[1], 24.0)])
    facts = engine.handle(SoundHeard(frame=0, at=0.0, samples=sound[:, None]))
    beats = np.array([(fact.at, fact.tempo) for fact in facts if isinstance(fact, BeatPlaced)])
    assert beats[(beats[:, 0] > 20) & (beats[:, 0] < 24), 1] == pytest.approx(tempos[0], rel=0.03)
    assert beats[beats[:, 0] > 43, 1] == pytest.approx(tempos[1], rel=0.03)


def test_a_suspected_switch_of_speed_leaves_the_octave_that_a_hand_chose():
    deck = Deck(name="north", channels=(1,), tempo_range=(31.0, 213.0))
    engine = Engine(Rig(path="", sound=SoundInput(), decks=(deck,)), DRUMS_RATE, learned())
    sound, at = dulled_at_half("gravel-path")[:, None], 7 * DRUMS_RATE
    engine.obey(TempoTold(at=0.0, deck="north", tempo=59.4))
    facts = engine.handle(SoundHeard(frame=0, at=0.0, samples=sound[:at]))
    assert [fact.tempo for fact in facts if isinstance(fact, BeatPlaced)][-1] == pytest.approx(59.4, rel=0.03)
    assert engine.obey(BeatRecounted(at=7.0, deck="north", factor=2.0)) == []
    facts = engine.handle(SoundHeard(frame=at, at=7.0, samples=sound[at:]))
    assert [fact.tempo for fact in facts if isinstance(fact, BeatPlaced)][-1] == pytest.approx(118.8, rel=0.03)
