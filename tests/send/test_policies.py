"""What pedals are told when the tape's tempo moves."""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import Fact, PedalTold
from bridge.events_hand import RatioFolded
from bridge.rig import Pedal
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
