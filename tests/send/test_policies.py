"""What pedals are told when the tape's tempo moves."""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.events import Fact, PedalTold
from bridge.events_hand import HandsOff, HandsOn, LoopChanged, RatioFolded, StepAllowed, TempoKept, TempoLetGo
from bridge.rig import Pedal, Taps, Times
from bridge.send.clock import Beats, TickClock
from bridge.send.period import BEND_CENTS, REST
from bridge.send.policies import PedalPolicy, policies_of
from bridge.units import cents

LONG_ECHO = Pedal(name="long echo", port="Pedals A", listens_to="north", repeats_heard=6)
EVERY_S = 0.25


def orders_of(facts: list[Fact]) -> list[PedalTold]:
    return [fact for fact in facts if isinstance(fact, PedalTold)]


def told(policy: PedalPolicy, tempi: list[float], start: float = 100.0) -> list[PedalTold]:
    """Feed a tempo every quarter of a second and return all orders."""
    return orders_of([fact for n, tempo in enumerate(tempi) for fact in policy.hear(start + n * EVERY_S, tempo)])


def test_the_first_beat_begins_the_clock_at_once():
    orders = told(PedalPolicy((LONG_ECHO,)), [84.0])
    assert orders == [
        PedalTold(at=100.0, pedal="long echo", deck="north", tempo=84.0, ratio=1.0, why="begin"),
    ]


def test_a_pedal_with_a_tempo_to_begin_with_is_still_told_when_the_first_beat_is_found():
    policy = PedalPolicy((replace(LONG_ECHO, begin_tempo=90.0),))
    assert policy.tempo == 90.0
    assert [(order.tempo, order.why) for order in told(policy, [84.0])] == [(84.0, "begin")]


def test_wow_within_the_dead_band_never_reaches_the_port():
    wow = [84.0 * (1 + 0.9 * REST * (-1) ** n) for n in range(200)]
    assert len(told(PedalPolicy((LONG_ECHO,)), [84.0, *wow])) == 1


def test_a_step_is_one_change_with_no_values_between():
    orders = told(PedalPolicy((LONG_ECHO,)), [84.0] * 20 + [59.0] * 20)
    assert [(order.tempo, order.why) for order in orders] == [(84.0, "begin"), (59.0, "step")]


def test_another_tape_at_nearly_the_same_tempo_steps_too():
    policy = PedalPolicy((LONG_ECHO,))
    policy.hear(0.0, 84.0)
    orders = policy.hear(1.0, 85.5, stepped_at=0.5)
    assert [(order.tempo, order.why) for order in orders] == [(85.5, "step")]


@given(
    repeats=st.integers(1, 20),
    tempo=st.floats(50, 160),
    offset=st.floats(0.004, 0.035),
    up=st.booleans(),
)
def test_a_gliding_pedal_bends_the_last_repeat_heard_by_five_cents_at_most(repeats, tempo, offset, up):
    """A tape that stands still at a new tempo within drift is approached at dD/dt that bends repeat n by n times."""
    policy = PedalPolicy((replace(LONG_ECHO, repeats_heard=repeats, delay_ms=(1, 10000), tempo=(20, 400)),))
    policy.hear(0.0, tempo)
    for n in range(1, 60):  # a steady tape: it has no bend of its own
        policy.hear(n * EVERY_S, tempo)
    target = tempo * (1 + offset if up else 1 - offset)
    settled = 60 * EVERY_S + 10.0  # the step itself counts as the tape's own bend until it leaves the window
    at, before = 60 * EVERY_S, 60.0 / policy.tempo
    while at < settled + 20.0:
        orders = policy.hear(at, target)
        after = 60.0 / policy.tempo
        if orders and at > settled:
            bend = abs(after - before) / EVERY_S
            assert cents(1 + repeats * bend) <= BEND_CENTS + 1e-6
        at, before = at + EVERY_S, after


def test_a_drifting_tape_is_followed_within_a_third_of_a_per_cent():
    """Three per cent in a minute is slower than the promise allows, so the clock keeps up."""
    tempi = [84.0 * (1 + 0.03 * n / 240) for n in range(240)]
    policy = PedalPolicy((LONG_ECHO,))
    for n, tempo in enumerate(tempi):
        policy.hear(n * EVERY_S, tempo)
        assert policy.tempo == pytest.approx(tempo, rel=0.0034)


def test_after_a_time_without_a_beat_the_clock_does_not_make_up_at_once():
    policy = PedalPolicy((LONG_ECHO,))
    policy.hear(0.0, 84.0)
    policy.hear(60.0, 86.0)
    assert policy.tempo == pytest.approx(84.0, rel=0.001)


def test_a_pedal_that_jumps_is_moved_seldom():
    jumper = replace(LONG_ECHO, on_change="jumps")
    orders = told(PedalPolicy((jumper,)), [84.0 * (1 + 0.03 * n / 240) for n in range(240)])
    assert 2 <= len(orders) <= 4
    assert min(b.at - a.at for a, b in itertools.pairwise(orders)) >= 8.0


@pytest.mark.parametrize(
    ("tempo", "ratio", "delay_ms", "clock", "folded"),
    [
        (84.0, Fraction(1), (20, 2000), 84.0, 1.0),
        (59.0, Fraction(1), (20, 800), 118.0, 2.0),  # 60000 / 59 = 1017 ms does not fit, 508 ms does
        (120.0, Fraction(4), (200, 2000), 240.0, 2.0),  # 125 ms does not fit, 250 ms does
        (118.0, Fraction(1, 4), (20, 1000), 118.0, 1.0),  # two octaves
    ],
)
def test_the_ratio_is_folded_by_the_fewest_octaves_that_fit_the_pedal(tempo, ratio, delay_ms, clock, folded):
    """Delay time of one clock beat is 60000 / bpm ms (CHECK_VALUES 6)."""
    policy = PedalPolicy((replace(LONG_ECHO, ratio=ratio, delay_ms=delay_ms),))
    facts = policy.hear(0.0, tempo)
    [order] = orders_of(facts)
    assert (order.tempo, order.ratio) == (clock, folded)
    assert (order.why == "fold") == (folded != ratio)
    assert [(fact.asked, fact.ratio) for fact in facts if isinstance(fact, RatioFolded)] == (
        [(ratio, folded)] if folded != ratio else []
    )


def test_a_tempo_at_the_edge_of_a_limit_does_not_fold_to_and_fro():
    """60000 / 75 = 800 ms is the limit; a tape that wanders about it folds once."""
    policy = PedalPolicy((replace(LONG_ECHO, delay_ms=(20, 800)),))
    facts = [f for n in range(400) for f in policy.hear(n * EVERY_S, 75.0 * (1 + 0.01 * (-1) ** (n // 40)))]
    assert sum(order.why == "fold" for order in orders_of(facts)) == 1
    assert sum(isinstance(fact, RatioFolded) for fact in facts) == 1


def ticked(
    policy: PedalPolicy, tempi: list[float], beats: list[float] | None = None, clock: TickClock | None = None
) -> list[float]:
    """Drive a clock by what a policy says of a deck that is heard every quarter of a second; return all ticks.

    Args:
        policy: What decides.
        tempi: The deck's tempo in bpm.
        beats: Times of its beats, each known 0.1 s later; none for a deck whose beats nobody places.
        clock: A clock that runs already.
    """
    sent, ahead = [], list(enumerate(beats or []))
    for n, tempo in enumerate(tempi):
        now = n * EVERY_S
        while ahead and ahead[0][1] + 0.1 <= now:
            index, at = ahead.pop(0)
            policy.beat(at, index)
        for order in orders_of(policy.hear(now, tempo)):
            grid = Fraction(1, Fraction(order.ratio).limit_denominator(64).denominator)
            place = None if order.beats is None or not policy.needs_beat else Beats(order.at, order.beats, grid)
            if clock is not None:
                clock.change(order.tempo, order.at, now, place)
            else:
                clock = TickClock(order.tempo, now) if place is None else TickClock.on_beat(order.tempo, now, place)
        while clock is not None and clock.next_due() < now + EVERY_S:
            at, dropped = clock.due(clock.next_due())
            assert at is not None
            assert not dropped
            sent.append(at)
    return sent


@given(tempo=st.floats(50, 120), to=st.sampled_from([0.5, 0.6, 0.9, 1.1, 1.5, 2.0]), steady=st.integers(4, 30))
def test_at_a_step_the_tick_intervals_take_two_values_and_no_others(tempo, to, steady):
    """From the policy to the port: not one interval between."""
    ticks = ticked(
        PedalPolicy((replace(LONG_ECHO, tempo=(20, 300), delay_ms=(20, 4000)),)), [tempo] * steady + [tempo * to] * 40
    )
    gaps = {round(gap, 7) for gap in np.diff(ticks)}
    assert gaps == {round(2.5 / tempo, 7), round(2.5 / (tempo * to), 7)}


@settings(max_examples=25)
@given(
    tempo=st.floats(50, 180),
    ahead=st.floats(-0.14, 0.14),
    ratio=st.sampled_from([Fraction(1), Fraction(2), Fraction(1, 2), Fraction(3, 2)]),
    seed=st.integers(0, 99),
)
def test_a_pedal_that_needs_the_beat_is_within_20_ms_of_it_in_8_beats_at_2_per_cent_and_skips_no_tick(
    tempo, ahead, ratio, seed
):
    """A clock that runs already, up to a seventh of a beat off, beside a deck whose beats are placed to 6 ms."""
    policy = PedalPolicy(
        (replace(LONG_ECHO, name="stutter", needs="beat", ratio=ratio, tempo=(20, 400), delay_ms=(20, 4000)),)
    )
    told = tempo * float(ratio)
    truth = np.arange(1, 121) * 60 / tempo
    policy.resume(PedalTold(at=0.0, pedal="stutter", deck="north", tempo=told, ratio=float(ratio), why="drift"))
    clock = TickClock(told, ahead * 60 / told)
    placed = truth + np.random.default_rng(seed).uniform(-0.006, 0.006, len(truth))
    ticks = np.array(ticked(policy, [tempo] * round(40 / EVERY_S), placed.tolist(), clock))
    assert np.abs((2.5 / told) / np.diff(ticks) - 1).max() <= 0.0201
    pedal_beats = ticks[::24]
    late = pedal_beats[(pedal_beats > truth[4] + 8 * 60 / told) & (pedal_beats < truth[-1])]
    place = late * told / 60  # beats of the pedal since time 0, where the deck has a beat
    grid = 1 / ratio.denominator
    off_ms = (place - grid * np.round(place / grid)) * 60_000 / told
    assert len(off_ms) > 5
    assert np.abs(off_ms).max() <= 20.0


def test_a_pedal_that_needs_the_beat_begins_on_one():
    policy = PedalPolicy((replace(LONG_ECHO, needs="beat"),))
    assert policy.hear(0.0, 120.0) == []  # there is none yet
    truth = [0.3 + n * 0.5 for n in range(40)]
    ticks = ticked(policy, [120.0] * 60, truth)
    place = (np.array(ticks[::24]) - 0.3) / 0.5
    assert np.abs(place - np.round(place)).max() * 0.5 < 0.001


@pytest.mark.parametrize("foreseen", [True, False])
def test_a_step_of_a_pedal_that_needs_the_beat_waits_for_one_and_meets_it(foreseen):
    """From 84 to 59 bpm half a beat off: it is met within 8 beats, most of all by the choice of the moment."""
    policy = PedalPolicy((replace(LONG_ECHO, needs="beat"),))
    first = [0.3 + n * 60 / 84 for n in range(20)]
    new_at = first[-1] + 0.5
    second = [new_at + n * 60 / 59 for n in range(60)]
    clock, ticks, ahead = None, [], list(enumerate([*first, *second]))
    for n in range(round(50 / EVERY_S)):
        now = n * EVERY_S
        while ahead and ahead[0][1] + 0.1 <= now:
            index, at = ahead.pop(0)
            policy.beat(at, index)
        stepped = new_at - 0.2 if foreseen and new_at <= now < new_at + EVERY_S else None
        for order in orders_of(policy.hear(now, 84.0 if now < new_at else 59.0, stepped_at=stepped)):
            assert order.beats is not None
            place = Beats(order.at, order.beats)
            if clock is None:
                clock = TickClock.on_beat(order.tempo, now, place)
            else:
                clock.change(order.tempo, order.at, now, place)
        while clock is not None and clock.next_due() < now + EVERY_S:
            ticks.append(clock.next_due())
            clock.due(ticks[-1])
    late = np.array([at for at in ticks[::24] if at > new_at + 8 * 60 / 59])
    place = (late - new_at) * 59 / 60
    assert len(late) > 20
    assert np.abs(place - np.round(place)).max() * 60 / 59 <= 0.02


def test_a_step_with_no_beat_to_meet_waits_for_one_two_seconds_at_most():
    policy = PedalPolicy((replace(LONG_ECHO, needs="beat"),))
    policy.beat(0.1, 0)
    told(policy, [84.0], 0.2)
    assert told(policy, [120.0] * 8, 0.5) == []
    [order] = orders_of(policy.hear(2.6, 120.0))
    assert (order.tempo, order.beats) == (120.0, None)


def test_a_pedal_that_only_delays_is_never_told_to_correct_its_phase():
    policy = PedalPolicy((LONG_ECHO,))
    for index in range(40):
        policy.beat(index * 0.5 + 0.02 * (-1) ** index, index)
        assert [order.why for order in orders_of(policy.hear(index * 0.5, 120.0))] == (["begin"] if not index else [])


def test_a_tapped_pedal_is_told_where_the_beat_falls_though_it_needs_the_tempo_alone():
    tapped = replace(LONG_ECHO, sync=("taps",), taps=Taps(message="cc", number=93))
    policy = PedalPolicy((tapped,))
    policy.beat(0.25, 7)
    [order] = orders_of(policy.hear(1.0, 60.0))
    assert order.beats == pytest.approx(7.75)
    policy.beat(1.30, 8)  # 50 ms late: the middle of both beats is 25 ms off
    [order] = orders_of(policy.hear(1.5, 60.0))
    assert (order.why, order.beats) == ("phase", pytest.approx(8.225))


def test_a_tapped_pedal_is_told_drift_at_once_since_its_taps_are_few_anyway():
    tapped = replace(LONG_ECHO, sync=("taps",), taps=Taps(message="cc", number=93), on_change="jumps")
    assert [order.tempo for order in told(PedalPolicy((tapped,)), [84.0, 84.0, 84.4, 84.8])] == [84.0, 84.4, 84.8]


def test_a_note_value_that_is_twice_as_long_halves_the_slew():
    slews = []
    for division in (Fraction(1), Fraction(2)):
        policy = PedalPolicy((replace(LONG_ECHO, division=division, delay_ms=(20, 4000)),))
        told(policy, [84.0] * 40, 0.0)
        told(policy, [85.0] * 40, 10.0)
        slews.append(60 / 84.0 - 60 / policy.tempo)
    assert slews[0] / slews[1] == pytest.approx(2.0, rel=0.01)


LOUD_DB, SILENT_DB = -12.0, -100.0


def played(policy: PedalPolicy, from_s: float, to_s: float, tempo: float | None, level_db: float) -> list[PedalTold]:
    """Let a deck play: its level fifty times a second, and its tempo four times unless it has none."""
    facts: list[Fact] = []
    for n in range(round(from_s * 50), round(to_s * 50)):
        facts += policy.hear_level(n / 50, level_db)
        if tempo is not None and n % 12 == 0:
            facts += policy.hear(n / 50, tempo)
    return orders_of(facts)


def test_a_step_of_a_deck_that_plays_on_waits_until_the_echoes_of_before_have_died():
    """Six repeats of 500 ms."""
    policy = PedalPolicy((replace(LONG_ECHO, step="tail_quiet"),))
    played(policy, 0.0, 30.0, 120.0, LOUD_DB)
    [order] = played(policy, 30.0, 40.0, 90.0, LOUD_DB)
    assert (order.tempo, order.why) == (90.0, "step")
    assert order.at - 30.0 == pytest.approx(3.0, abs=0.3)


def test_a_step_after_silence_passes_at_once_and_one_in_a_fading_tail_as_soon_as_it_is_quiet():
    policy = PedalPolicy((replace(LONG_ECHO, step="tail_quiet"),))
    played(policy, 0.0, 30.0, 120.0, LOUD_DB)
    played(policy, 30.0, 35.0, None, SILENT_DB)
    [order] = orders_of(policy.hear(35.1, 90.0, stepped_at=34.9))
    assert order.at == 35.1
    policy = PedalPolicy((replace(LONG_ECHO, step="tail_quiet"),))
    played(policy, 0.0, 30.0, 120.0, LOUD_DB)
    policy.hear(30.0, 90.0)
    [order] = played(policy, 30.02, 40.0, None, SILENT_DB)
    assert 1.5 < order.at - 30.0 < 2.5  # 38 dB at 20 dB a second


def test_the_tail_counts_from_the_step_of_the_tape_and_not_from_when_it_was_known():
    policy = PedalPolicy((replace(LONG_ECHO, step="tail_quiet"),))
    played(policy, 0.0, 30.0, 120.0, LOUD_DB)
    [order] = orders_of(policy.hear(30.0, 90.0, stepped_at=26.9))
    assert order.at == 30.0


def test_a_step_waits_for_the_foot_and_for_one_go_each():
    policy = PedalPolicy((replace(LONG_ECHO, step="foot"),))
    go = StepAllowed(at=0.0, pedal="long echo")
    assert policy.obey(go, 0.0) == []
    assert told(policy, [84.0] * 4 + [120.0] * 40, 0.0)[1:] == []
    [order] = orders_of(policy.obey(go, 11.0))
    assert (order.tempo, order.why) == (120.0, "step")
    assert told(policy, [120.0, 60.0, 60.0], 12.0) == []
    assert policy.obey(replace(go, pedal="short echo"), 13.0) == []
    assert orders_of(policy.obey(go, 13.0))[0].tempo == 60.0


def test_a_step_that_came_to_nothing_waits_no_longer():
    policy = PedalPolicy((replace(LONG_ECHO, step="foot"),))
    told(policy, [84.0, 120.0, 84.0], 0.0)
    assert policy.obey(StepAllowed(at=1.0, pedal="long echo"), 1.0) == []
    assert policy.tempo == 84.0


def test_the_first_tempo_after_one_to_begin_with_is_a_step_too():
    policy = PedalPolicy((replace(LONG_ECHO, step="foot", begin_tempo=90.0),))
    assert policy.hear(0.0, 84.0) == []
    [order] = orders_of(policy.obey(StepAllowed(at=0.5, pedal="long echo"), 0.5))
    assert (order.tempo, order.why) == (84.0, "begin")


def test_pedals_that_jump_follow_drift_when_their_tail_is_quiet_or_has_been_replaced():
    policy = PedalPolicy((replace(LONG_ECHO, on_change="jumps"),))
    played(policy, 0.0, 30.0, 120.0, LOUD_DB)
    [order] = played(policy, 30.0, 40.0, 122.0, LOUD_DB)
    assert (order.tempo, order.why) == (122.0, "drift")
    assert order.at - 30.0 == pytest.approx(3.0, abs=0.3)
    policy = PedalPolicy((replace(LONG_ECHO, on_change="jumps"),))
    played(policy, 0.0, 30.0, 120.0, LOUD_DB)
    played(policy, 30.0, 35.0, None, SILENT_DB)
    assert orders_of(policy.hear(35.0, 122.0))[0].at == 35.0


@pytest.mark.parametrize(
    ("hold_while", "loop", "held"),
    [
        ("none", "recording", False),
        ("recording", "recording", True),
        ("recording", "playing", False),
        ("loop", "recording", True),
        ("loop", "playing", True),
        ("loop", "stopped", False),
    ],
)
def test_while_a_loop_is_on_the_clock_stands_still_in_tempo(hold_while, loop, held):
    policy = PedalPolicy((replace(LONG_ECHO, hold_while=hold_while),))
    told(policy, [84.0], 0.0)
    policy.obey(LoopChanged(at=0.3, pedal="long echo", loop=loop), 0.3)
    assert (told(policy, [120.0] * 40, 1.0) == []) == held
    policy.obey(LoopChanged(at=12.0, pedal="long echo", loop="stopped"), 12.0)
    told(policy, [120.0], 12.0)
    assert policy.tempo == 120.0


def test_the_loop_of_any_pedal_on_a_port_holds_the_clock_that_they_share():
    box = replace(LONG_ECHO, name="loop box", hold_while="loop")
    policy = PedalPolicy((LONG_ECHO, box))
    told(policy, [84.0], 0.0)
    policy.obey(LoopChanged(at=0.3, pedal="loop box", loop="playing"), 0.3)
    assert told(policy, [120.0], 1.0) == []
    policy.obey(LoopChanged(at=1.3, pedal="gone from the rig", loop="stopped"), 1.3)
    assert policy.held


def test_a_kept_tempo_stays_whatever_is_heard_until_it_is_let_go():
    policy = PedalPolicy((LONG_ECHO,))
    told(policy, [84.0], 0.0)
    policy.obey(TempoKept(at=0.3, deck="south"), 0.3)
    assert not policy.held
    policy.obey(TempoKept(at=0.3, deck="north"), 0.3)
    assert told(policy, [90.0, 40.0, 84.5] * 20, 1.0) == []
    policy.obey(TempoLetGo(at=20.0, deck="north"), 20.0)
    assert [order.tempo for order in told(policy, [120.0], 20.0)] == [120.0]


def test_a_tempo_that_is_kept_before_there_is_one_is_the_first_that_comes():
    policy = PedalPolicy((LONG_ECHO,))
    policy.obey(TempoKept(at=0.0, deck="north"), 0.0)
    assert [order.tempo for order in told(policy, [84.0, 120.0], 1.0)] == [84.0]


def test_hands_off_ends_what_a_pedal_is_told_and_hands_on_goes_straight_to_what_is_heard():
    policy = PedalPolicy((replace(LONG_ECHO, step="foot"),))
    told(policy, [84.0], 0.0)
    assert policy.obey(HandsOff(at=0.3, pedal="long echo"), 0.3) == []
    assert told(policy, [85.0, 120.0] * 20, 1.0) == []
    [order] = orders_of(policy.obey(HandsOn(at=11.0, pedal="long echo"), 11.0))
    assert (order.tempo, order.why) == (120.0, "hands on")
    assert policy.obey(HandsOn(at=12.0, pedal="long echo"), 12.0) == []


def test_the_delays_that_pedals_have_follow_from_what_they_were_told():
    """A quarter at 80 bpm is 750 ms; a pedal whose knob is in the hand's may have any."""
    dotted = replace(LONG_ECHO, name="dotted", division=Fraction(3, 4))
    policy = PedalPolicy((LONG_ECHO, dotted, replace(LONG_ECHO, name="twin")))
    assert policy.delays_s == ()
    policy.hear(0.0, 80.0)
    assert policy.delays_s == pytest.approx((0.75, 0.5625))
    policy.obey(HandsOff(at=1.0, pedal="dotted"), 1.0)
    assert policy.delays_s == pytest.approx((0.75,))


def test_hands_on_in_a_silence_waits_for_the_next_beat():
    policy = PedalPolicy((LONG_ECHO,))
    told(policy, [84.0], 0.0)
    policy.obey(HandsOff(at=0.3, pedal="long echo"), 0.3)
    assert policy.obey(HandsOn(at=60.0, pedal="long echo"), 60.0) == []
    assert [order.why for order in told(policy, [85.0], 90.0)] == ["hands on"]


def test_what_the_hand_did_survives_a_restart():
    """A new policy is told first what the pedals have, and then what the hand did."""
    policy = PedalPolicy((LONG_ECHO,))
    policy.resume(PedalTold(at=5.0, pedal="long echo", deck="north", tempo=84.0, ratio=1.0, why="drift"))
    policy.obey(TempoKept(at=6.0, deck="north"), 0.0)
    assert told(policy, [120.0] * 10, 0.0) == []
    assert policy.tempo == 84.0


def test_a_pedal_without_a_clock_has_a_policy_of_its_own_even_on_the_port_of_another():
    times = Times(message="cc", number=20, points=((20, 0), (900, 127)))
    timed = replace(LONG_ECHO, name="short echo", sync=("times",), times=times, ratio=Fraction(2))
    osc = replace(timed, name="stutter", port="")
    groups = [[pedal.name for pedal in policy.pedals] for policy in policies_of((timed, LONG_ECHO, osc))]
    assert groups == [["long echo"], ["short echo"], ["stutter"]]


def test_pedals_on_one_port_share_a_clock_and_the_strictest_limit():
    gentle = replace(LONG_ECHO, name="short echo", repeats_heard=12)
    [policy] = policies_of((LONG_ECHO, gentle))
    orders = policy.hear(0.0, 84.0)
    assert [order.pedal for order in orders] == ["long echo", "short echo"]
    for n in range(1, 80):
        policy.hear(n * EVERY_S, 84.0)
    before = 60.0 / policy.tempo
    for n in range(80, 120):
        policy.hear(n * EVERY_S, 85.0)
    after = 60.0 / policy.tempo
    policy.hear(30.0, 85.0)
    assert cents(1 + 12 * abs(60.0 / policy.tempo - after) / EVERY_S) <= BEND_CENTS + 1e-6
    assert after != before


def test_pedals_on_two_ports_have_two_policies_in_the_rigs_order():
    other = replace(LONG_ECHO, name="short echo", port="Pedals B", ratio=Fraction(2))
    assert [policy.pedals[0].name for policy in policies_of((LONG_ECHO, other))] == ["long echo", "short echo"]


def test_a_policy_that_takes_over_goes_on_from_what_the_pedal_was_told():
    policy = PedalPolicy((LONG_ECHO,))
    policy.resume(PedalTold(at=5.0, pedal="long echo", deck="north", tempo=84.0, ratio=1.0, why="drift"))
    assert policy.hear(6.0, 84.05) == []
    [order] = policy.hear(6.25, 59.0)
    assert order.why == "step"


def test_after_a_sleep_of_the_machine_the_tempo_goes_on_and_no_place_is_claimed_until_a_beat_is_heard():
    policy = PedalPolicy((replace(LONG_ECHO, needs="beat"),))
    for index in range(6):
        policy.beat(index * 60 / 84, index)
    [begin] = orders_of(policy.hear(4.0, 84.0))
    assert begin.beats is not None
    policy.lose_phase()
    moved = told(policy, [84.0] * 8 + [86.0] * 8, start=5.0)
    assert policy.tempo is not None
    assert moved
    assert all(order.beats is None for order in moved)
    policy.beat(10.1, 20)
    anew = told(policy, [86.0] * 8, start=10.2)
    assert any(order.beats is not None for order in anew)
