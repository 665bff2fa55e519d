"""How a pedal's period moves, and what its echoes sound like meanwhile."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from bridge.events import PedalTold
from bridge.rig import Pedal
from bridge.send.clock import TickClock
from bridge.send.period import BEND_CENTS, BEND_WINDOW_S, REST, SEAT, Period, slew_of
from bridge.send.policies import PedalPolicy
from bridge.testing.echo import DelayLine
from bridge.testing.pedals import CLOCK, DelayPedal
from bridge.units import cents, period_s

EVERY_S = 0.25
ECHO = Pedal(name="long echo", port="Pedals A", listens_to="north", delay_ms=(1, 10_000))


def followed(period: Period, tempi: list[float]) -> list[float]:
    """Feed a tempo every quarter of a second; return the period in seconds after each."""
    told = []
    for n, tempo in enumerate(tempi):
        period.hear(n * EVERY_S, tempo)
        told.append(period_s(period.tempo))
    return told


def stepped(tempo: float, slew: float) -> Period:
    period = Period(slew)
    period.step(tempo, 0.0)
    return period


@pytest.mark.parametrize(("repeats", "slew_ms_s"), [(1, 2.89), (5, 0.578), (10, 0.289)])
def test_the_slew_is_that_of_five_cents_at_the_last_repeat(repeats, slew_ms_s):
    """2.89 ms/s bends the first repeat by 5 cents, the fifth by 25, the tenth by 50 (DESIGN section 5)."""
    assert slew_of(repeats, 1.0) * 1000 == pytest.approx(slew_ms_s, rel=0.002)
    assert slew_of(repeats, 2.0) == slew_of(repeats, 1.0) / 2  # a half note changes by twice as much as a quarter


@given(
    tempo=st.floats(40, 240),
    to=st.floats(0.96, 1.04),
    slew=st.floats(1e-4, 3e-3),
    wow=st.floats(0, 0.001),
)
def test_towards_a_tape_at_another_tempo_it_moves_no_faster_than_its_slew(tempo, to, slew, wow):
    """Once the window holds the new tempo alone; until then the move of the tape itself counts as its own bend."""
    tempi = [tempo] * 4 + [tempo * to * (1 + wow * (-1) ** n) for n in range(240)]
    told = np.array(followed(stepped(tempo, slew), tempi))
    settled = 4 + round(BEND_WINDOW_S / EVERY_S) + 1
    bends = np.abs(np.diff(told[settled:])) / EVERY_S
    wows = 2 * wow * period_s(tempo) / BEND_WINDOW_S  # what wow looks like as a bend, at the very worst
    assert bends.max(initial=0.0) <= slew + wows + 1e-12


@given(tempo=st.floats(50, 200), drift=st.floats(-0.001, 0.001), slew=st.floats(1e-4, 3e-3))
def test_beside_a_drifting_tape_it_moves_at_the_tapes_own_bend_and_its_slew_at_most(tempo, drift, slew):
    """The difference between the pedal's bend and the tape's is what one hears; at rest a pedal has none."""
    periods = [period_s(tempo) * (1 + drift * n * EVERY_S) for n in range(160)]
    told = np.array(followed(stepped(tempo, slew), [60 / period for period in periods]))
    own = drift * period_s(tempo)
    bends = np.diff(told)[round(BEND_WINDOW_S / EVERY_S) :] / EVERY_S
    assert bends.min() >= min(0.0, own) - slew - 1e-9
    assert bends.max() <= max(0.0, own) + slew + 1e-9
    assert abs(told[-1] / periods[-1] - 1) <= REST + abs(drift) * BEND_WINDOW_S  # no further behind than at the start


@given(wow=st.lists(st.floats(-0.99, 0.99), max_size=200), tempo=st.floats(40, 240))
def test_wow_within_the_dead_band_never_moves_it(wow, tempo):
    told = followed(stepped(tempo, 1e-3), [tempo * (1 + REST * share) for share in wow])
    assert set(told) <= {period_s(tempo)}


def test_once_moving_it_goes_on_to_the_tape():
    told = followed(stepped(84.0, 1e-3), [84.0, *[84.3] * 100])
    assert told[-1] == pytest.approx(period_s(84.3), rel=SEAT)


def test_after_a_pause_it_does_not_make_up_for_the_time():
    period = stepped(84.0, 1e-3)
    period.hear(0.0, 84.0)
    period.hear(60.0, 86.0)
    assert period_s(84.0) - period_s(period.tempo) <= 1e-3 + 1e-12


RATE = 22_050
BLOCK = 220
TONE_S = 0.2


def pitch(sound: np.ndarray) -> float:
    """Return the frequency of a tone in Hz, from the slope of its phase."""
    phase = np.unwrap(np.angle(signal.hilbert(sound)))
    inner = slice(len(sound) // 5, -len(sound) // 5)
    return float(np.polyfit(np.arange(len(sound))[inner], phase[inner], 1)[0] * RATE / (2 * np.pi))


def clocked(pedal: Pedal, tempi: list[float]) -> DelayPedal:
    """Return a pedal that heard the clock of a deck at these tempi, one every quarter of a second."""
    policy, clock, box = PedalPolicy((pedal,)), None, DelayPedal()
    for n, tempo in enumerate(tempi):
        now = n * EVERY_S
        for order in policy.hear(now, tempo):
            if isinstance(order, PedalTold) and clock is None:
                clock = TickClock(order.tempo, now)
            elif isinstance(order, PedalTold):
                clock.change(order.tempo, order.at, now)
        while clock is not None and clock.next_due() < now + EVERY_S:
            box.receive(clock.next_due(), CLOCK)
            clock.due(clock.next_due())
    return box


@pytest.mark.parametrize("repeats", [1, 5, 10])
def test_the_last_repeat_heard_is_bent_by_five_cents_while_the_clock_glides(repeats):
    """A tape that is 2.5 % faster from one moment to the next, and the pedal's own echoes of a tone on its way there.

    The tone goes through a delay line with feedback whose time is what the pedal read from the clock; the pitch of its
    n-th repeat is measured in the sound. The last one heard has all the bend that is allowed, the first one its share.
    """
    step_s, tone_at, end_s = 2.0, 12.0, 12.0 + (repeats + 2) * 0.5
    pedal = replace(ECHO, repeats_heard=repeats)
    box = clocked(pedal, [120.0] * round(step_s / EVERY_S) + [117.0] * round((end_s - step_s + 1) / EVERY_S))
    time_s = np.arange(round(end_s * RATE)) / RATE
    delay_s = box.delay_at(np.maximum(time_s, 1.0))
    tone = (time_s >= tone_at) & (time_s < tone_at + TONE_S)
    sound = np.where(tone, np.sin(2 * np.pi * 1000 * time_s), 0.0)
    line = DelayLine(RATE, 0.9)
    echoes = np.concatenate(
        [line.play(sound[at : at + BLOCK], delay_s[at : at + BLOCK]) for at in range(0, len(sound), BLOCK)]
    )
    bends, at = [], np.float64(tone_at)
    for _ in range(repeats):
        at = box.echoes_of(at)
        heard = echoes[round(float(at) * RATE) : round((float(at) + TONE_S) * RATE)]
        bends.append(-cents(pitch(heard) / 1000))
    assert bends[-1] <= BEND_CENTS * 1.03
    if repeats > 1:  # with one repeat it is at its goal before the tone
        assert bends[-1] == pytest.approx(BEND_CENTS, rel=0.05)
        assert bends[0] == pytest.approx(BEND_CENTS / repeats, rel=0.2, abs=0.1)
