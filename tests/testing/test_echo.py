"""The sound of a delay pedal, and the loop through it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from bridge.engine import Engine
from bridge.events import PedalTold
from bridge.rig import Deck, Pedal, Rig, SoundInput
from bridge.testing.clips import drum_loop
from bridge.testing.echo import DelayLine, EchoLoop
from bridge.testing.tape import Move, TapeMachine
from bridge.units import cents
from bridge.weights import learned

RATE = 22_050
BLOCK = 220


def played(line: DelayLine, sound, delay_s):
    blocks = range(0, len(sound), BLOCK)
    return np.concatenate([line.play(sound[at : at + BLOCK], delay_s[at : at + BLOCK]) for at in blocks])


def test_an_impulse_comes_back_after_the_delay_and_each_repeat_is_quieter_by_the_feedback():
    """Feedback 0.5 is -6.021 dB a repeat (CHECK_VALUES 6)."""
    sound = np.zeros(2 * RATE)
    sound[100] = 1.0
    echoes = played(DelayLine(RATE, 0.5), sound, np.full(len(sound), 0.4))
    at = np.flatnonzero(np.abs(echoes) > 0.05)
    assert at.tolist() == [100 + n * round(0.4 * RATE) for n in (1, 2, 3, 4)]
    assert 20 * np.log10(echoes[at][1:] / echoes[at][:-1]) == pytest.approx([-6.021] * 3, abs=0.01)


@pytest.mark.parametrize(
    ("feedback", "step_db", "repeats", "t60_s"),
    [
        (0.3, -10.458, 6, 2.869),
        (0.5, -6.021, 10, 4.983),
        (0.7, -3.098, 20, 9.684),
        (0.8, -1.938, 31, 15.478),
        (0.9, -0.915, 66, 32.782),
    ],
)
def test_repeats_die_away_as_the_published_formula_has_it(feedback, step_db, repeats, t60_s):
    """g = 0.001 ** (delay / T60), of a published language's comb filters: dB a repeat, the first repeat that is 60 dB
    below the first echo, and the time to there at a delay of 500 ms.
    """
    delay = 441
    sound = np.zeros(70 * delay)
    sound[0] = 1.0
    echoes = played(DelayLine(RATE, feedback), sound, np.full(len(sound), delay / RATE))
    levels_db = 20 * np.log10(np.abs(echoes[delay::delay][:68]))
    assert np.diff(levels_db) == pytest.approx(np.full(67, step_db), abs=1e-3)
    assert np.flatnonzero(levels_db < -60.0)[0] == repeats  # times through the feedback
    assert -60.0 / step_db * 0.5 == pytest.approx(t60_s, rel=1e-3)


def pitch(sound):
    """Return the frequency of a tone in Hz, from the slope of its phase."""
    phase = np.unwrap(np.angle(signal.hilbert(sound)))
    inner = slice(len(sound) // 5, -len(sound) // 5)
    return np.polyfit(np.arange(len(sound))[inner], phase[inner], 1)[0] * RATE / (2 * np.pi)


@pytest.mark.parametrize(("repeat", "bend"), [(1, 5.0), (5, 25.0), (10, 50.0)])
def test_a_gliding_delay_bends_each_repeat_once_more(repeat, bend):
    """dD/dt = 2.89 ms/s bends repeat n by n times 5 cents: 1200 log2 (1 - dD/dt) each (DESIGN section 5)."""
    tone_s, begin_s, slope = 0.2, 0.4, 2.89e-3
    time_s = np.arange(int(6.0 * RATE)) / RATE
    sound = np.where(time_s < tone_s, np.sin(2 * np.pi * 1000 * time_s), 0.0)
    echoes = played(DelayLine(RATE, 0.9), sound, begin_s + slope * time_s)
    at = 0.0
    for _ in range(repeat):  # heard at t when t - D(t) is where it was heard before
        at = (at + begin_s) / (1 - slope)
    heard = echoes[int(at * RATE) : int((at + tone_s) * RATE)]
    assert -cents(pitch(heard) / 1000) == pytest.approx(bend, rel=0.03)


@pytest.mark.parametrize("delay_s", [0.001, 4.5, np.nan])
def test_a_delay_that_the_line_cannot_make_is_refused(delay_s):
    with pytest.raises(ValueError, match="a delay must be"):
        DelayLine(RATE, 0.5).play(np.zeros(BLOCK), np.full(BLOCK, delay_s))


@pytest.mark.parametrize("feedback", [-0.1, 1.0, np.nan])
def test_a_feedback_that_would_run_away_is_refused(feedback):
    with pytest.raises(ValueError, match="feedback must be"):
        DelayLine(RATE, feedback)


def test_the_loop_closes_through_the_clock():
    """The engine finds the beat of the dry deck, clocks the pedal, and then hears its echoes one beat later too.

    A tempo is 1.8 % slow in the first seconds after its beat was found.
    """
    rig = Rig(
        path="test",
        sound=SoundInput(),
        decks=(Deck(name="north", channels=(1,), tempo_range=(60, 130)),),
        pedals=(Pedal(name="long echo", port="Pedals A", listens_to="north"),),
    )
    machine = TapeMachine(rate=RATE)
    speed = machine.speed(12.0, (Move(time_s=0.1, speed=1.0),), np.random.default_rng(1))
    drums = machine.play(drum_loop("gravel-path", name="gravel path", tempo=96.0), speed).sound
    mixes = []
    engine = Engine(rig, RATE, learned())

    def handle(event):
        mixes.append(event.samples[:, 0].copy())
        return engine.handle(event)

    loop = EchoLoop(rig, RATE, handle, feedback=0.5, level_db=0.0)
    facts = [fact for at in range(0, len(drums), BLOCK) for fact in loop.play(drums[at : at + BLOCK])]
    told = [fact.tempo for fact in facts if isinstance(fact, PedalTold)]
    assert told
    assert told == pytest.approx([96.0] * len(told), rel=0.02)
    assert told[-1] == pytest.approx(96.0, rel=0.01)
    wet = np.concatenate(mixes) - drums
    late, period = slice(9 * RATE, 11 * RATE), round(60 / 96 * RATE)
    reach = RATE // 50  # 20 ms: the clock is within half a per cent of the tape, and follows its wow with a delay
    alike = [
        np.corrcoef(wet[late], drums[late.start - period + off : late.stop - period + off])[0, 1]
        for off in range(-reach, reach + 1)
    ]
    assert max(alike) > 0.5
