"""Promises of Start, Stop, Continue and Song Position."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.send.messages import CLOCK, CONTINUE, START, STOP
from bridge.send.song import LEAD_S, Song
from tests.strict_midi import parse

TICK_S = 2.5 / 120
ALL = ("start", "stop", "continue", "song_position")


@dataclass
class Sequencer:
    """A receiver as the standard describes it, and a strict judge of what it gets.

    It plays from the first clock behind Start or Continue, which is no part of a step yet; it counts clocks only while
    it plays; it wants 1 ms between, and a song position only while it is stopped.

    Attributes:
        ticks: Clocks since the beginning of its song, at the newest one; None before it plays.
    """

    playing: bool = False
    ticks: int | None = None
    place: int = 0
    ready_at: float = -inf
    enters: bool = False
    log: list[str] = field(default_factory=list)

    def take(self, at: float, data: bytes) -> None:
        [heard] = parse(data)
        if heard.kind == "clock":
            if self.enters:
                assert at - self.ready_at >= 0.001
                self.ticks, self.enters = self.place, False
            elif self.playing:
                self.ticks += 1
            return
        self.log.append(heard.kind)
        if heard.kind == "start":
            self.playing, self.enters, self.place, self.ready_at = True, True, 0, at
        elif heard.kind == "continue":
            assert not self.playing
            self.playing, self.enters, self.ready_at = True, True, at
        elif heard.kind == "stop":
            assert self.playing
            self.playing, self.enters = False, False
        elif heard.kind == "song position":
            assert not self.playing
            self.place = 6 * (heard.data[0] | heard.data[1] << 7)


@dataclass
class Cable:
    """A clock of 120 bpm and the song beside it, driven as the schedule drives them."""

    song: Song
    sequencer: Sequencer = field(default_factory=Sequencer)
    ticks: int = 0  # of the grid
    begin: float = LEAD_S
    sent: list[tuple[float, bytes]] = field(default_factory=list)

    @property
    def next_tick(self) -> float:
        return self.begin + self.ticks * TICK_S

    def run(self, ticks: int, late_s: float = 0.0) -> None:
        """Send so many ticks, each round of asking late by so much."""
        for _ in range(ticks):
            while (due := self.song.next_due(self.next_tick)) <= self.next_tick:
                self.ask(max(due, self.next_tick - LEAD_S) + late_s)
            self._send(self.next_tick, CLOCK)
            self.ticks += 1
            self.song.ticked(1, 0)

    def stall(self, ticks: int) -> None:
        """Leave out so many ticks."""
        self.ticks += ticks
        self.song.ticked(0, ticks)

    def ask(self, now: float) -> None:
        for _, data in self.song.due(now, self.next_tick):
            self._send(now, data)

    def _send(self, at: float, data: bytes) -> None:
        self.sent.append((at, data))
        self.sequencer.take(at, data)


def test_nothing_goes_out_unless_it_is_asked_for():
    cable = Cable(Song(()))
    cable.run(50)
    cable.stall(7)
    cable.song.reopened()
    cable.run(50)
    cable.song.end()
    cable.ask(99.0)
    assert {data for _, data in cable.sent} == {CLOCK}


def test_start_goes_out_before_the_first_tick_and_only_once():
    cable = Cable(Song(("start",)))
    cable.run(100)
    assert [data for _, data in cable.sent[:3]] == [START, CLOCK, CLOCK]
    assert cable.sequencer.log == ["start"]
    assert cable.sent[1][0] - cable.sent[0][0] == pytest.approx(LEAD_S)
    assert cable.sequencer.ticks == 99


def test_a_start_that_would_come_too_near_to_its_tick_waits_for_the_next_beat():
    """The standard wants 1 ms at least from Start to the next clock."""
    cable = Cable(Song(("start",)))
    cable.run(1, late_s=0.0025)
    cable.run(40)
    assert cable.sequencer.ticks == 40 - 24
    assert [data for _, data in cable.sent].index(START) == 24


def test_a_start_whose_tick_was_left_out_waits_for_the_next_beat():
    cable = Cable(Song(("start",)))
    cable.stall(5)
    cable.run(40)
    assert cable.sequencer.ticks == 45 - 24 - 1


def test_the_end_stops_what_plays_once_and_only_if_asked():
    for asked, wanted in ((("start", "stop"), ["start", "stop"]), (("start",), ["start"])):
        cable = Cable(Song(asked))
        cable.run(10)
        cable.song.end()
        cable.ask(99.0)
        cable.ask(100.0)
        assert cable.sequencer.log == wanted
    silent = Song(ALL)
    silent.end()
    assert silent.due(0.0, inf) == []


def test_a_receiver_that_a_hand_starts_is_stopped_at_the_end_if_asked():
    """The bridge cannot know whether it plays; Stop to one that stands changes nothing."""
    song = Song(("stop",))
    song.ticked(1, 0)
    song.end()
    assert song.due(0.0, inf) == [(0.0, STOP)]
    untouched = Song(("stop",))
    untouched.end()
    assert untouched.due(0.0, inf) == []


def test_a_receiver_that_missed_ticks_is_brought_back_to_its_place():
    """Stopped at once, told the place while it is stopped, and playing again from a beat, in step with the grid."""
    cable = Cable(Song(ALL))
    cable.run(100)
    cable.stall(7)
    cable.run(60)
    assert cable.sequencer.log == ["start", "stop", "song position", "continue"]
    assert [data for _, data in cable.sent].index(STOP) == 101
    assert cable.sequencer.ticks == 166
    again = next(n for n, (_, data) in enumerate(cable.sent) if data == CONTINUE)
    assert cable.sequencer.place == 144  # 107 and a beat to make ready, up to a whole beat
    assert sum(data == CLOCK for _, data in cable.sent[:again]) == 144 - 7


def test_a_receiver_that_cannot_be_brought_back_is_left_alone():
    cable = Cable(Song(("start", "stop")))
    cable.run(100)
    cable.stall(7)
    cable.run(60)
    assert cable.sequencer.log == ["start"]


def test_a_receiver_that_comes_back_is_started_afresh_or_brought_to_its_place():
    for asked, wanted in ((("start",), ["start", "start"]), (ALL, ["start", "stop", "song position", "continue"])):
        cable = Cable(Song(asked))
        cable.run(30)
        cable.song.reopened()
        cable.run(60)
        assert cable.sequencer.log == wanted


def test_after_a_pause_the_receiver_is_on_the_beat_again():
    cable = Cable(Song(ALL))
    cable.run(31)
    cable.song.paused()
    cable.ticks = 48
    cable.run(60)
    assert cable.sequencer.ticks == 107


@given(
    asked=st.sets(st.sampled_from(ALL)),
    doings=st.lists(
        st.tuples(st.just("run"), st.integers(1, 80))
        | st.tuples(st.just("stall"), st.integers(1, 80))
        | st.tuples(st.just("late"), st.integers(1, 30))
        | st.tuples(st.just("back"), st.just(0)),
        max_size=12,
    ),
)
def test_whatever_is_lost_the_standard_is_kept_and_the_place_is_right_when_it_plays(asked, doings):
    """Only what is asked for; the judge in `Sequencer` holds the rest. With all four the place is the grid's again."""
    if asked & {"song_position", "continue"}:
        asked = set(ALL)  # a rig that asks otherwise is refused
    cable = Cable(Song(asked))
    for what, count in doings:
        if what == "run":
            cable.run(count)
        elif what == "stall":
            cable.stall(count)
        elif what == "late":
            cable.run(count, late_s=0.0025)
        else:
            cable.sequencer.playing = cable.sequencer.playing and asked != {"start"}  # switched off and on
            cable.song.reopened()
    cable.run(80)
    assert {kind.replace(" ", "_") for kind in cable.sequencer.log} <= asked
    if asked == set(ALL):
        assert cable.sequencer.playing
        assert (cable.ticks - 1 - cable.sequencer.ticks) % 24 == 0
