"""Promises of one tap contact."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import Fact
from bridge.events_sent import TapsDropped, TapsSent
from bridge.send.messages import note_off, note_on
from bridge.send.taps import CONTACT_MAX_S, LATEST_TAP_S, OPEN_S, TapPlan, Taps

PRESS, RELEASE = note_on(3, 60), note_off(3, 60)


def plan(**fields) -> TapPlan:
    return TapPlan(**({"pedal": "short echo", "press": PRESS, "release": RELEASE} | fields))


@dataclass
class Pedal:
    """A pedal with a tap contact, and a sender that is always on time unless it is stalled.

    Attributes:
        sent: Host time at which each message went out, and its bytes.
        facts: What was told.
    """

    taps: Taps
    now: float = 0.0
    sent: list[tuple[float, bytes]] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)

    def run(self, until: float) -> None:
        while (due := self.taps.next_due()) <= until:
            self.now = max(self.now, due)
            before = len(self.sent), self.taps.next_due()
            self.take()
            assert (len(self.sent), self.taps.next_due()) != before, "what is due must get done"
        self.now = max(self.now, until)

    def stall(self, until: float) -> None:
        """Be held up, and ask what is due only then."""
        self.now = max(self.now, until)
        self.take()

    def take(self) -> None:
        messages, facts = self.taps.due(self.now)
        self.sent += [(self.now, data) for _, data in messages]
        self.facts += facts

    @property
    def presses(self) -> list[float]:
        return [at for at, data in self.sent if data == self.taps.plan.press]


def test_a_first_tempo_is_tapped_once_with_its_last_tap_on_the_beat():
    """Four taps at 90 bpm: 666.667 ms apart (60000 / 90), each on a beat; then nothing for as long as it stays."""
    pedal = Pedal(Taps(plan()))
    pedal.taps.tell(90.0, 0.0, beat_at=0.25)
    pedal.run(600.0)
    assert pedal.presses == pytest.approx([0.25 + n * 0.666667 for n in range(4)], abs=1e-5)
    [told] = pedal.facts
    assert (told.at, told.pedal, told.count) == (pedal.presses[-1], "short echo", 4)
    assert told.tempo == pytest.approx(90.0)


def test_the_longest_contact_leaves_time_for_a_release_that_is_late():
    pedal = Pedal(Taps(plan(contact_s=CONTACT_MAX_S)))
    pedal.taps.tell(60.0, 0.0)
    pedal.run(60.0)
    held = [up - down for (down, _), (up, _) in zip(pedal.sent[::2], pedal.sent[1::2], strict=True)]
    assert held == pytest.approx([0.19] * 4)


def test_a_burst_that_the_machine_slept_through_is_given_up_and_the_next_waits_for_a_beat():
    """The pedal heard a gap of minutes between two taps, and where the beat fell before says nothing now."""
    pedal = Pedal(Taps(plan(every_s=8.0)))
    pedal.taps.tell(60.0, 0.0, beat_at=0.25)
    pedal.run(1.5)
    pedal.taps.lose_beat(1.5)
    pedal.run(9.0)
    assert pedal.presses == pytest.approx([0.25, 1.25])
    pedal.taps.tell(60.0, 9.0, beat_at=0.75)
    pedal.run(30.0)
    dropped, _ = pedal.facts
    assert (dropped.sent, dropped.count) == (2, 2)
    assert pedal.presses[2:] == pytest.approx([9.75, 10.75, 11.75, 12.75])


def test_a_burst_not_begun_waits_for_a_beat_anew_once_the_machine_slept():
    pedal = Pedal(Taps(plan()))
    pedal.taps.tell(60.0, 0.0, beat_at=0.25)
    pedal.taps.lose_beat(0.1)
    pedal.run(1.0)
    assert pedal.presses == []
    pedal.taps.tell(60.0, 1.0, beat_at=0.6)
    pedal.run(5.0)
    assert pedal.presses == pytest.approx([1.6, 2.6, 3.6, 4.6])


def test_each_press_is_released_after_the_contact_time():
    pedal = Pedal(Taps(plan(contact_s=0.03)))
    pedal.taps.tell(90.0, 0.0)
    pedal.run(60.0)
    assert [data for _, data in pedal.sent] == [PRESS, RELEASE] * 4
    held = [up - down for (down, _), (up, _) in zip(pedal.sent[::2], pedal.sent[1::2], strict=True)]
    assert held == pytest.approx([0.03] * 4)


def test_a_contact_is_open_for_half_the_time_even_at_the_fastest_tempo():
    pedal = Pedal(Taps(plan(contact_s=CONTACT_MAX_S)))
    pedal.taps.tell(400.0, 0.0)
    pedal.run(60.0)
    held = [up - down for (down, _), (up, _) in zip(pedal.sent[::2], pedal.sent[1::2], strict=True)]
    assert held == pytest.approx([0.075] * 4)


def test_drift_is_tapped_when_it_is_worth_it_and_not_within_the_minimum_time():
    pedal = Pedal(Taps(plan(drift=0.01, every_s=20.0)))
    pedal.taps.tell(90.0, 0.0)
    pedal.run(5.0)
    last = pedal.presses[-1]
    pedal.taps.tell(90.8, 5.0)  # 0.9 %
    pedal.run(60.0)
    assert len(pedal.presses) == 4
    pedal.taps.tell(91.0, 60.0)  # 1.1 %
    pedal.run(70.0)
    assert len(pedal.presses) == 8
    pedal.taps.tell(95.0, 70.0)
    pedal.run(120.0)
    assert len(pedal.presses) == 12
    assert pedal.presses[8] == pytest.approx(pedal.presses[7] + 20.0)
    assert pedal.presses[4] > last + 20.0
    assert [fact.tempo for fact in pedal.facts] == pytest.approx([90.0, 91.0, 95.0])


def test_without_a_beat_a_burst_waits_for_one_and_then_goes_out_all_the_same():
    """A beat is known soon after a tempo; a tempo that is tapped by foot, or held, may have none."""
    pedal = Pedal(Taps(plan()))
    pedal.taps.tell(60.0, 0.0)
    pedal.run(1.2)
    pedal.taps.tell(60.0, 1.2, beat_at=0.5)
    pedal.run(60.0)
    assert pedal.presses == pytest.approx([1.5, 2.5, 3.5, 4.5])
    pedal = Pedal(Taps(plan()))
    pedal.taps.tell(60.0, 0.0)
    pedal.run(60.0)
    assert pedal.presses == pytest.approx([2.0, 3.0, 4.0, 5.0])


def test_a_beat_that_moves_within_a_burst_is_aimed_at_afresh():
    """The last tap is on the beat as it is then known, not as it was at the first tap."""
    pedal = Pedal(Taps(plan()))
    pedal.taps.tell(100.0, 0.0, beat_at=0.0)
    for beat in range(1, 4):  # each beat comes 2 ms later than 100 bpm would have it
        pedal.run(beat * 0.6 - 0.3)
        pedal.taps.tell(100.0 / (1 + 0.002 / 0.6), pedal.now, beat_at=beat * 0.602)
    pedal.run(10.0)
    assert pedal.presses == pytest.approx([0.0, 0.602, 1.204, 1.806], abs=1e-9)
    assert pedal.facts[0].tempo == pytest.approx(60 / 0.602)


def test_a_tempo_that_steps_within_a_burst_is_counted_from_the_step():
    pedal = Pedal(Taps(plan()))
    pedal.taps.tell(60.0, 0.0, beat_at=0.0)
    pedal.run(1.2)
    pedal.taps.tell(120.0, 1.2, beat_at=0.0)
    pedal.run(60.0)
    assert pedal.presses == pytest.approx([0.0, 1.0, 1.5, 2.0, 2.5, 3.0])
    [told] = pedal.facts
    assert (told.at, told.tempo, told.count) == (3.0, pytest.approx(120.0), 6)


def test_a_burst_ends_after_twice_its_taps_however_the_tempo_jumps():
    pedal = Pedal(Taps(plan()))
    for turn in range(100):
        pedal.taps.tell(60.0 if turn % 2 else 130.0, pedal.now)
        pedal.run(pedal.now + 0.3)
    first = [at for at in pedal.presses if at < pedal.presses[0] + 8.0]
    assert len(first) == 8


def test_latency_sends_taps_earlier_or_later_than_their_beat():
    for latency in (0.03, -0.03):
        pedal = Pedal(Taps(plan(latency_s=latency)))
        pedal.taps.tell(60.0, 0.0, beat_at=0.5)
        pedal.run(60.0)
        assert pedal.presses == pytest.approx([n + 0.5 - latency for n in range(4)])
        assert pedal.facts[0].at == pytest.approx(3.5)


def test_what_is_late_after_a_stall_is_left_out_whole_and_the_contact_is_opened():
    """Two seconds after the second press: its release goes out, no tap does, and the pedal is tapped again later."""
    pedal = Pedal(Taps(plan(every_s=10.0)))
    pedal.taps.tell(60.0, 0.0, beat_at=0.0)
    pedal.run(1.01)
    pedal.stall(3.01)
    assert [data for _, data in pedal.sent] == [PRESS, RELEASE, PRESS, RELEASE]
    assert pedal.facts == [TapsDropped(at=3.01, pedal="short echo", sent=2, count=2)]
    pedal.run(60.0)
    assert pedal.presses[2:] == pytest.approx([11.0, 12.0, 13.0, 14.0])


def test_a_tap_that_its_port_left_out_ends_its_burst():
    """A pedal would take the gap for a beat of twice the length."""
    pedal = Pedal(Taps(plan(every_s=10.0)))
    pedal.taps.tell(60.0, 0.0, beat_at=0.0)
    pedal.run(1.3)
    pedal.facts += pedal.taps.missed(1.3)
    pedal.run(60.0)
    assert pedal.presses == pytest.approx([0.0, 1.0, 11.0, 12.0, 13.0, 14.0])
    assert [type(fact) for fact in pedal.facts] == [TapsDropped, TapsSent]
    assert (pedal.facts[0].sent, pedal.facts[0].count) == (1, 3)


def test_a_last_tap_that_its_port_left_out_is_told():
    pedal = Pedal(Taps(plan()))
    pedal.taps.tell(60.0, 0.0, beat_at=0.0)
    pedal.run(5.0)
    assert pedal.taps.missed(5.0) == [TapsDropped(at=5.0, pedal="short echo", sent=3, count=1)]


def test_an_order_that_comes_just_before_a_due_tap_is_sent_moves_it_nowhere():
    """A sender deals with what came before it sends: the tap that is a millisecond late is still this one."""
    pedal = Pedal(Taps(plan()))
    pedal.taps.tell(60.0, 0.0, beat_at=0.0)
    pedal.run(0.9)
    pedal.now = 1.001
    pedal.taps.tell(60.01, 1.001, beat_at=0.0)
    pedal.take()
    assert pedal.presses == pytest.approx([0.0, 1.001])
    pedal.run(60.0)
    assert len(pedal.presses) == 4


def test_an_order_that_comes_after_a_stall_does_not_hide_a_late_tap():
    pedal = Pedal(Taps(plan()))
    pedal.taps.tell(60.0, 0.0, beat_at=0.0)
    pedal.run(0.9)
    pedal.now = 1.4
    pedal.taps.tell(60.01, 1.4, beat_at=0.0)
    pedal.take()
    assert [type(fact) for fact in pedal.facts] == [TapsDropped]


def test_the_end_opens_the_contact_and_taps_no_more():
    pedal = Pedal(Taps(plan()))
    pedal.taps.tell(60.0, 0.0, beat_at=0.0)
    pedal.run(1.01)
    pedal.taps.end(1.02)
    pedal.taps.tell(90.0, 1.02)
    pedal.run(60.0)
    assert [data for _, data in pedal.sent] == [PRESS, RELEASE, PRESS, RELEASE]
    assert pedal.sent[-1][0] == 1.02
    assert pedal.taps.next_due() == inf


def test_a_pedal_that_comes_back_gets_its_release_at_once_and_its_tempo_when_allowed():
    pedal = Pedal(Taps(plan(every_s=10.0)))
    pedal.taps.tell(60.0, 0.0, beat_at=0.0)
    pedal.run(5.0)
    pedal.taps.forget(5.0)
    pedal.run(60.0)
    assert pedal.sent[8] == (5.0, RELEASE)
    assert pedal.presses[4:] == pytest.approx([13.0, 14.0, 15.0, 16.0])


def test_a_pedal_that_is_away_is_not_tapped_and_needs_no_wait_when_it_is_back():
    """A burst into nowhere would keep it waiting for the minimum time."""
    pedal = Pedal(Taps(plan(every_s=10.0)))
    pedal.taps.end(0.0)
    pedal.taps.tell(60.0, 1.0, beat_at=0.0)
    pedal.run(5.5)
    assert pedal.presses == []
    pedal.taps.forget(5.5)
    pedal.run(20.0)
    assert pedal.presses == pytest.approx([6.0, 7.0, 8.0, 9.0])


def test_a_release_at_the_start_is_sent_though_no_tap_ever_was():
    """The sender before this one may have been killed with the contact closed."""
    pedal = Pedal(Taps(plan()))
    pedal.taps.forget(0.0)
    pedal.run(1.0)
    assert pedal.sent == [(0.0, RELEASE)]


def test_taps_that_need_no_release_get_none():
    pedal = Pedal(Taps(plan(release=None)))
    pedal.taps.forget(0.0)
    pedal.taps.tell(120.0, 0.0)
    pedal.run(10.0)
    pedal.taps.end(10.0)
    pedal.run(20.0)
    assert [data for _, data in pedal.sent] == [PRESS] * 4


@pytest.mark.parametrize(
    "fields",
    [
        {"count": 1}, {"count": 17}, {"contact_s": 0.21}, {"contact_s": nan}, {"drift": 0.0}, {"every_s": 0.5},
        {"latency_s": -0.6}, {"latency_s": nan},
    ],
)  # fmt: skip
def test_an_impossible_plan_is_refused(fields):
    with pytest.raises(ValueError, match=f"{next(iter(fields))} of 'short echo' must be"):
        plan(**fields)


def test_an_impossible_tempo_or_beat_is_refused():
    with pytest.raises(ValueError, match="bpm"):
        Taps(plan()).tell(nan, 0.0)
    with pytest.raises(ValueError, match="beat_at"):
        Taps(plan()).tell(90.0, 0.0, beat_at=nan)


TEMPO = st.floats(20, 400)
DOINGS = st.lists(
    st.one_of(
        st.tuples(st.just("run"), st.floats(0, 5)),
        st.tuples(st.just("stall"), st.floats(0, 2.5)),
        st.tuples(st.just("drift"), st.floats(-0.03, 0.03)),
        st.tuples(st.just("step"), TEMPO),
        st.tuples(st.just("late order"), st.floats(0, 0.3)),
        st.tuples(st.just("forget"), st.none()),
        st.tuples(st.just("end"), st.none()),
    ),
    max_size=60,
)


@given(
    doings=DOINGS,
    beat=st.none() | st.floats(-2, 2),
    contact=st.floats(0.005, CONTACT_MAX_S),
    every=st.floats(1, 6),
    latency=st.floats(-0.1, 0.1),
    count=st.integers(2, 6),
)
def test_whatever_happens_every_press_is_released_and_bursts_keep_their_distance(
    doings, beat, contact, every, latency, count
):
    """Under any sequence of tempo changes, stalls and ends.

    Every press is released within 200 ms or, if the sender was stalled then, as soon as it asks; no press follows
    another without a release and 20 ms between; taps are on the beat as it is known; bursts are at least the minimum
    time apart, and of at most twice their taps.
    """
    settings = plan(contact_s=contact, every_s=every, latency_s=latency, count=count)
    pedal, tempo, stalls = Pedal(Taps(settings)), 90.0, []
    offs: list[tuple[int, float]] = []  # how far each press was from its beat
    for what, value in doings:
        seen = len(pedal.presses)
        if what == "run":
            pedal.run(pedal.now + value)
        elif what == "stall":
            stalls.append((pedal.now, pedal.now + value))
            pedal.stall(pedal.now + value)
        elif what == "forget":
            pedal.taps.forget(pedal.now)
        elif what == "end":
            pedal.taps.end(pedal.now)
        else:
            if what == "late order":
                stalls.append((pedal.now, pedal.now + value))
                pedal.now += value
            else:
                tempo = value if what == "step" else min(400.0, max(20.0, tempo * (1 + value)))
            pedal.taps.tell(tempo, pedal.now, beat)
            pedal.take()
        if beat is not None:
            for at in pedal.presses[seen:]:
                beats = (at + latency - beat) * tempo / 60
                offs.append((len(offs), abs(beats - round(beats)) * 60 / tempo))
    pedal.taps.end(pedal.now)
    pedal.run(pedal.now + 1)
    assert all(off <= LATEST_TAP_S + 1e-6 for _, off in offs)
    closed_at = released_at = -inf
    for at, data in pedal.sent:
        if data == PRESS:
            assert closed_at == -inf, "two presses in a row"
            assert at - released_at >= OPEN_S - LATEST_TAP_S - 1e-6 or released_at == -inf
            closed_at = at
        elif closed_at > -inf:
            stalled = any(begin <= closed_at + CONTACT_MAX_S and at <= end + 1e-9 for begin, end in stalls)
            assert at - closed_at <= CONTACT_MAX_S + 1e-6 or stalled
            closed_at, released_at = -inf, at
    assert closed_at == -inf, "a contact stayed closed"
    assert_bursts_keep_their_distance(pedal, settings)


def assert_bursts_keep_their_distance(pedal: Pedal, settings: TapPlan) -> None:
    """Presses come in runs of at most twice the count, with the minimum time between; nearer ones are of one burst."""
    burst: list[float] = []
    for before, after in pairwise([-inf, *pedal.presses]):
        if after - before >= settings.every_s - LATEST_TAP_S - 1e-6:
            burst = []
        burst.append(after)
        assert len(burst) <= 2 * settings.count
    for fact in pedal.facts:
        if isinstance(fact, TapsSent):
            assert 1 <= fact.count <= 2 * settings.count
            after = [at + settings.latency_s for at in pedal.presses if at + settings.latency_s > fact.at + 0.004]
            assert not after or after[0] - fact.at >= settings.every_s - LATEST_TAP_S - 1e-6
