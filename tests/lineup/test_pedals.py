"""What a pedal is asked, and what its echo tells."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lineup.findings import Finding
from bridge.lineup.pedals import ASKED_MS, Ask, ask, of_echo
from bridge.rig import DIVISIONS, Deck, Pedal, Times
from tests.lineup.sounds import RATE, Sound, hiss, inputs, tape

NORTH = Deck(name="north", channels=(1, 2))
ECHO = Pedal(name="long echo", port="Pedals A", listens_to="north")
S = 7.0


def late(sound: Sound, ms: float) -> Sound:
    frames = round(ms * RATE / 1000)
    return np.concatenate([np.zeros(frames), sound[: len(sound) - frames]])


def told(sound: Sound, pedal: Pedal = ECHO) -> Finding:
    return of_echo(pedal, NORTH, ask(pedal), sound, RATE)


@given(
    division=st.sampled_from(sorted(DIVISIONS.values())),
    delay=st.tuples(st.floats(5, 400), st.floats(450, 60_000)),
    tempo=st.tuples(st.floats(20, 60), st.floats(120, 400)),
)
def test_a_pedal_is_asked_for_a_tempo_that_it_takes(
    division: Fraction, delay: tuple[float, float], tempo: tuple[float, float]
) -> None:
    """And for the usual time, wherever its clock allows that."""
    asked = ask(Pedal(name="long echo", listens_to="north", division=division, delay_ms=delay, tempo=tempo))
    assert tempo[0] <= asked.tempo <= tempo[1]
    assert asked.delay_ms == pytest.approx(60_000 * float(division) / asked.tempo)
    if tempo[0] <= 60_000 * float(division) / ASKED_MS <= tempo[1]:
        assert asked.delay_ms == pytest.approx(ASKED_MS)


def test_a_short_pedal_is_asked_for_its_longest_time() -> None:
    asked = ask(Pedal(name="stutter", listens_to="north", delay_ms=(20, 300)))
    assert asked.delay_ms == pytest.approx(300)
    assert asked.tempo == pytest.approx(200)


def test_the_time_that_was_asked_is_well_at_whichever_input() -> None:
    dry = tape(1, S)
    for name, channel in (("two", 2), ("three", 3), ("four", 4)):
        finding = told(inputs(S, one=dry, **{name: 0.5 * late(dry, 430)}))
        assert finding.well == "well", finding
        assert finding.said == f"430 ms on input {channel}, asked for 430 ms"


def test_an_echo_within_the_only_mix_is_found() -> None:
    """The mixer's main output: dry sound and echo come in together."""
    dry = tape(1, S)
    mix = dry + 0.5 * late(dry, 430)
    finding = of_echo(ECHO, Deck(name="north", channels=(1,)), ask(ECHO), (mix + hiss(1, S))[:, None], RATE)
    assert (finding.well, finding.said) == ("well", "430 ms on input 1, asked for 430 ms")


@pytest.mark.parametrize("name", ["1/2", "1/8", "1/4.", "1/8.", "1/4T"])
def test_a_knob_at_another_division_is_named(name: str) -> None:
    dry = tape(1, S)
    finding = told(inputs(S, one=dry, three=late(dry, float(DIVISIONS[name]) * ASKED_MS)))
    assert finding.well == "look"
    assert finding.said.endswith(f"asked for 430 ms: it plays {name}")
    assert finding.todo == f'Turn its knob to 1/4, or write division = "{name}" for it'


def test_a_pedal_that_is_told_its_time_and_makes_another_has_its_points_wrong() -> None:
    dry = tape(1, S)
    points = ((40.0, 0.0), (800.0, 127.0))
    pedal = Pedal(
        name="short echo", listens_to="north", sync=("times",), times=Times(message="cc", number=20, points=points)
    )
    finding = told(inputs(S, one=dry, three=late(dry, 390)), pedal)
    assert finding.todo == "Measure its points again: told 430 ms, it plays 390 ms"


def test_a_pedal_that_does_not_follow_is_told() -> None:
    dry = tape(1, S)
    finding = told(inputs(S, one=dry, three=late(dry, 500)))
    assert finding.well == "look"
    assert finding.said == "500 ms on input 3, asked for 430 ms"
    assert "does not follow" in finding.todo


def test_where_no_return_or_no_deck_is_heard_it_stays_open() -> None:
    no_return = told(inputs(S, one=tape(1, S), three=tape(3, S)))
    assert (no_return.well, no_return.said) == (
        "open",
        "its return is heard at no input, so its time is not measured",
    )
    silent = told(inputs(S))
    assert silent.well == "open"
    assert silent.said == "north was not heard, so there was nothing to echo"


def test_what_is_asked_is_what_is_measured_against() -> None:
    dry = tape(1, S)
    asked = Ask(tempo=200.0, beats=1.0, delay_ms=300.0)
    assert of_echo(ECHO, NORTH, asked, inputs(S, one=dry, three=late(dry, 300)), RATE).well == "well"
