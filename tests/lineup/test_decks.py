"""What the sound of decks tells, where every fault is put in on purpose."""

from __future__ import annotations

import re

import numpy as np
import pytest

from bridge.lineup.decks import of_first_track, of_playing, of_stopped
from bridge.lineup.findings import Finding
from bridge.rig import Deck
from tests.lineup.sounds import RATE, Sound, hiss, hum, inputs, tape

NORTH = Deck(name="north", channels=(1, 2))
SOUTH = Deck(name="south", channels=(3, 4))
S = 10.0


def by_what(findings: list[Finding]) -> dict[str, Finding]:
    return {finding.what: finding for finding in findings}


def playing(sound: Sound, deck: Deck = NORTH, other: Deck = SOUTH, *, alone: bool = True) -> dict[str, Finding]:
    return by_what(list(of_playing(deck, [other], sound, RATE, alone=alone)))


def test_a_deck_that_plays_as_it_should_is_well_in_everything() -> None:
    found = playing(inputs(S, one=tape(1, S), two=tape(2, S)))
    assert {what: finding.well for what, finding in found.items()} == {
        "level": "well",
        "clipping": "well",
        "bleed into south": "well",
    }
    assert found["level"].said.startswith("-26 dB, peaks at ")
    assert not any(finding.todo for finding in found.values())


@pytest.mark.parametrize("hz", [50, 60])
def test_hum_of_a_stopped_deck_is_told_with_its_mains_and_input_and_no_advice_to_lift_an_earth(hz: int) -> None:
    found = by_what(list(of_stopped(NORTH, inputs(5.0, two=hum(hz + 0.1, 5.0, -50.0)), RATE)))
    assert found["hum"].well == "look"
    assert found["hum"].said == f"{hz} Hz at -50 dB on input 2"
    assert "isolating transformer" in found["hum"].todo
    assert "Never lift the protective earth" in found["hum"].todo
    assert "silence" not in found  # what sounds there is the hum


def test_hum_that_nobody_hears_is_well_and_so_is_silence() -> None:
    found = by_what(list(of_stopped(NORTH, inputs(5.0, one=hum(50, 5.0, -75.0)), RATE)))
    assert (found["hum"].well, found["hum"].said) == ("well", "50 Hz at -75 dB on input 1")
    found = by_what(list(of_stopped(SOUTH, inputs(5.0), RATE)))
    assert (found["hum"].well, found["hum"].said) == ("well", "none")
    assert found["silence"].well == "well"
    assert found["silence"].said.startswith("-75 dB on input ")


def test_inputs_without_even_noise_are_not_called_well_and_leave_the_others_figures_alone() -> None:
    """Zeros are no quiet deck: nothing was measured. Beside an input that is there they do not count."""
    found = by_what(list(of_stopped(NORTH, np.zeros((round(5 * RATE), 4)), RATE)))
    assert {what: finding.well for what, finding in found.items()} == {"hum": "open", "silence": "open"}
    assert "no sound at all on inputs 1 and 2" in found["silence"].said
    assert "-120" not in found["silence"].said
    half = inputs(5.0)
    half[:, 0] = 0.0
    found = by_what(list(of_stopped(NORTH, half, RATE)))
    assert (found["silence"].well, found["silence"].said) == ("well", "-75 dB on input 2")


def test_a_stopped_deck_that_still_sounds_is_told() -> None:
    found = by_what(list(of_stopped(NORTH, inputs(5.0, one=hiss(1, 5.0, -35.0)), RATE)))
    assert found["silence"].well == "look"
    assert "stop the deck" in found["silence"].todo


@pytest.mark.parametrize(
    ("loud_db", "said", "todo"), [(-50.0, "low: -50 dB", "gain up"), (-8.0, "high: ", "gain down")]
)
def test_a_level_that_is_low_or_high_says_which_way_to_turn(loud_db: float, said: str, todo: str) -> None:
    level = playing(inputs(S, one=tape(1, S, loud_db), two=tape(2, S, loud_db)))["level"]
    assert level.well == "look"
    assert level.said.startswith(said)
    assert todo in level.todo


def test_peaks_that_are_cut_off_are_counted_with_their_input() -> None:
    loud = tape(2, S)
    loud[[1000, 1001, 1002, 5000, 5001, 5002, 5003]] = 1.0
    clipping = playing(inputs(S, one=tape(1, S)) + np.stack([0 * loud, loud, 0 * loud, 0 * loud], axis=1))["clipping"]
    assert clipping.well == "look"
    assert clipping.said == "2 peaks cut off on input 2"


def test_decks_that_are_plugged_into_each_others_inputs_are_told() -> None:
    found = playing(inputs(S, three=tape(1, S), four=tape(2, S)))
    assert list(found) == ["channels"]
    whose = r"swapped: it comes in at input [34], which the rig gives to south, and not at inputs 1 and 2"
    assert re.fullmatch(whose, found["channels"].said)
    assert found["channels"].todo.startswith("Swap the cables of the two decks")


def test_a_deck_at_an_input_of_nobody_is_told() -> None:
    found = playing(inputs(S, four=tape(1, S)), other=Deck(name="south", channels=(3,)))
    assert found["channels"].said == "swapped: it comes in at input 4, and not at inputs 1 and 2"
    assert found["channels"].todo.startswith("Plug it into inputs 1 and 2")


def test_a_dry_tap_that_is_louder_than_the_decks_channels_is_no_swapped_cable() -> None:
    sound = inputs(S, one=0.01 * tape(1, S), two=0.01 * tape(2, S), four=tape(1, S))
    tapped = Deck(name="north", channels=(1, 2), dry=(4,))
    south = Deck(name="south", channels=(3,))
    assert "channels" in playing(sound, NORTH, south)
    assert "channels" not in playing(sound, tapped, south)


@pytest.mark.parametrize(
    ("loud_db", "well", "said"),
    [(None, "look", "nothing heard on input 4"), (-50.0, "look", "low: -50 dB"), (-26.0, "well", "-26 dB")],
)
def test_a_dry_tap_is_heard_or_told(loud_db: float | None, well: str, said: str) -> None:
    """The beat is sought there: that the deck's own channels are well says nothing of it."""
    tapped, south = Deck(name="north", channels=(1, 2), dry=(4,)), Deck(name="south", channels=(3,))
    four = {} if loud_db is None else {"four": tape(1, S, loud_db)}
    found = playing(inputs(S, one=tape(1, S), two=tape(2, S), **four), tapped, south)
    assert (found["dry tap"].well, found["dry tap"].said) == (well, said)
    assert bool(found["dry tap"].todo) == (well == "look")


def test_bleed_into_another_decks_dry_tap_is_told() -> None:
    tapped = Deck(name="south", channels=(3,), dry=(4,))
    north = tape(1, S)
    found = playing(inputs(S, one=north, two=tape(2, S), four=0.1 * north), NORTH, tapped)
    assert found["bleed into south"].said == "-20 dB, on input 4"


def test_hum_of_a_dry_tap_is_told() -> None:
    tapped = Deck(name="south", channels=(3,), dry=(4,))
    found = by_what(list(of_stopped(tapped, inputs(5.0, four=hum(50.1, 5.0, -50.0)), RATE)))
    assert found["hum"].said == "50 Hz at -50 dB on input 4"


def test_while_both_play_nobody_can_tell_whose_input_is_louder() -> None:
    found = playing(inputs(S, one=tape(1, S, -35.0), two=tape(2, S, -35.0), three=tape(3, S)), alone=False)
    assert "channels" not in found
    assert found["level"].well == "well"


@pytest.mark.parametrize(("bleed_db", "well"), [(-20.0, "look"), (-40.0, "well")])
@pytest.mark.parametrize("south_plays", [False, True])
def test_bleed_is_told_whether_the_other_deck_plays_or_not(bleed_db: float, well: str, south_plays: bool) -> None:
    north = tape(1, S)
    own = tape(3, S) if south_plays else 0.0
    bleed = playing(inputs(S, one=north, three=own + 10 ** (bleed_db / 20) * north), alone=not south_plays)
    finding = bleed["bleed into south"]
    assert finding.well == well
    if well == "look":
        assert finding.said == "-20 dB, on input 3"
        assert "dry tap" in finding.todo


def test_an_input_that_hears_nothing_beside_one_that_does_is_told() -> None:
    found = playing(inputs(S, one=tape(1, S)))
    assert found["input 2"].well == "look"
    assert "below input 1" in found["input 2"].said


def test_an_input_that_is_upside_down_is_told() -> None:
    north = tape(1, S)
    found = playing(inputs(S, one=north, two=-0.8 * north))
    assert found["input 2"].said == "upside down beside input 1: together they cancel"


def test_a_deck_that_is_not_heard_says_what_to_do() -> None:
    found = playing(inputs(S))
    assert list(found) == ["level"]
    assert found["level"].said == "nothing heard on inputs 1 and 2"
    assert "Press play" in found["level"].todo


@pytest.mark.parametrize(("at", "well"), [("one", "well"), ("two", "look")])
def test_the_first_track_alone_shows_whether_tracks_are_swapped(at: str, well: str) -> None:
    finding = of_first_track(NORTH, inputs(3.0, **{at: tape(1, 3.0)}), RATE)
    assert finding.well == well
    if well == "look":
        assert finding.said == "swapped: the first track comes in at input 2, and the rig says 1"
        assert finding.todo == "Swap the two cables, or write channels = [2, 1]"


def test_a_first_track_that_is_silent_leaves_it_open() -> None:
    assert of_first_track(NORTH, inputs(3.0), RATE).well == "open"
