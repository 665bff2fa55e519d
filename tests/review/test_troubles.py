"""Whatever went wrong is told once, in plain words, with what to do."""

from __future__ import annotations

from pathlib import Path

from bridge.events import (
    Fact,
    FactsLost,
    ListenerLost,
    ListenerStarted,
    PortLost,
    PortOpened,
    SoundLost,
    SoundNotKept,
    TakeEnded,
    TicksDropped,
)
from bridge.events_foot import ActionRefused, LooperChanged, OscCounted
from bridge.events_host import DryTapTurned, HostSuspended, NetLost, SenderReady
from bridge.events_sent import TapsDropped
from bridge.journal.recover import LineFault
from bridge.review.kept import Segment
from bridge.review.troubles import NOTHING, Trouble, sound_troubles, troubles
from tests.review.sample import BEGAN, ferry_night

END = TakeEnded(at=100.0, why="end")


def told(*facts: Fact) -> tuple[Trouble, ...]:
    return troubles([*facts, END], [], 0.0)


def words(*facts: Fact) -> list[str]:
    return [trouble.what for trouble in told(*facts)]


def test_every_trouble_says_what_to_do() -> None:
    found = troubles(ferry_night(), [LineFault(3, "torn")], BEGAN)
    assert [trouble.seconds for trouble in found] == [66.0, 80.0, 92.0, None]
    assert all(len(trouble.remedy) > 20 for trouble in found)


def test_a_set_without_trouble_has_none() -> None:
    assert told(ListenerStarted(at=0.0, pid=1, start=1, rate=48_000, source="")) == ()


def test_a_lost_listener_and_its_restart_are_one_trouble() -> None:
    lost = ListenerLost(at=10.0, pid=1, why="killed by signal 9")
    again = ListenerStarted(at=11.5, pid=2, start=2, rate=48_000, source="")
    (found,) = told(lost, again)
    assert found.seconds == 10.0
    assert "killed by signal 9" in found.what
    assert "back 1.5 s later" in found.what
    assert "clocks went on" in found.what


def test_a_listener_that_never_came_back_is_said_and_so_is_a_restart_without_its_loss() -> None:
    assert "did not come back" in words(ListenerLost(at=10.0, pid=1, why="hung"))[0]
    assert "started again" in words(ListenerStarted(at=11.5, pid=2, start=2, rate=48_000, source=""))[0]


def test_a_port_is_told_once_per_loss_however_often_it_was_tried() -> None:
    tries = [PortLost(at=10.0 + n, port="Pedals A", why="no such port") for n in range(5)]
    assert words(*tries, PortOpened(at=15.0, port="Pedals A", found="Pedals A 20:0")) == [
        "The MIDI port Pedals A was gone for 5.0 s (no such port)."
    ]
    assert "did not come back" in words(*tries)[0]


def test_stalls_of_a_port_are_summed() -> None:
    stalls = [TicksDropped(at=float(at), port="Pedals A", count=2) for at in (5, 65, 70)]
    one = TicksDropped(at=6.0, port="Pedals B", count=1)
    assert words(*stalls, one) == [
        "6 late clock ticks were left out on Pedals A, in 3 stalls, the last at 1:10.",
        "1 late clock tick was left out on Pedals B.",
    ]


def test_lost_sound_and_sound_not_kept_are_told_apart() -> None:
    lost = SoundLost(at=5.0, frames=256, why="input overflow")
    more = SoundLost(at=7.0, frames=256, why="input overflow")
    unknown = SoundLost(at=5.0, frames=0, why="the device stopped")
    assert words(lost, more, SoundNotKept(at=9.0, why="disk full")) == [
        "512 frames of sound went missing on the way in, 2 times, the last at 0:07 (input overflow).",
        "The sound was no longer kept (disk full); the journal and the clocks went on.",
    ]
    assert words(unknown) == ["No sound came in (the device stopped)."]


def test_facts_that_the_journal_lost_are_counted() -> None:
    assert words(FactsLost(at=5.0, count=1200)) == ["1,200 facts could not be written down."]


def test_a_take_without_an_end_is_said() -> None:
    (found,) = troubles(ferry_night()[:1], [], BEGAN)
    assert found.what == "The journal does not say that the take ended."


def test_a_lost_sender_means_that_the_clocks_stopped() -> None:
    """The listener is all that is left to say so."""
    ends = TakeEnded(at=83.0, why="the sender was lost: it closed the link")
    (found,) = troubles([ends], [], 0.0)
    assert found.seconds == 83.0
    assert found.what == (
        "The program that sends the clock was ended from outside, or failed; the pedals got no clock from then on."
    )
    assert "tapebridge run" in found.remedy


def test_many_unreadable_lines_are_counted_not_listed() -> None:
    found = troubles([END], [LineFault(n, "unreadable") for n in range(1, 1001)], 0.0)
    assert len(found) == 13
    assert found[0].what == "The journal, line 1: unreadable"
    assert found[-1].what == "988 more lines of the journal could not be read."


def test_a_journal_without_a_fact_is_told_and_nothing_else_is_said_to_count() -> None:
    faults = [LineFault(1, "the journal's schema line is missing")]
    found = troubles([], faults, 0.0)
    assert found[0].what == NOTHING
    assert not any("all other lines count" in trouble.remedy for trouble in found)
    spoiled = troubles(ferry_night(), faults, BEGAN)
    assert NOTHING not in [trouble.what for trouble in spoiled]
    assert any("all other lines count" in trouble.remedy for trouble in spoiled)


def test_a_net_that_could_not_be_read_is_told_with_what_to_do() -> None:
    [found] = told(NetLost(at=1.0, why="weights.npz: no net to follow by (absent)"))
    assert found.what == "weights.npz: no net to follow by (absent)."
    assert "onsets alone" in found.brief
    assert "Install the bridge again" in found.remedy


def test_a_dry_tap_that_was_given_up_is_told_and_its_coming_back_is_no_trouble() -> None:
    [found] = told(
        DryTapTurned(at=3.0, deck="south", is_heard=False), DryTapTurned(at=9.0, deck="south", is_heard=True)
    )
    assert found.seconds == 3.0
    assert found.what.startswith("The dry tap of south was silent")
    assert "plug" in found.remedy


def test_a_machine_that_slept_and_clocks_without_priority_are_told_with_what_to_do() -> None:
    ready = SenderReady(at=1.0, pid=1, priority="normal", timer="usual", memory="not locked")
    found = told(ready, HostSuspended(at=50.0, slept_s=125.0))
    assert [trouble.seconds for trouble in found] == [1.0, 50.0]
    assert "without any priority" in found[0].what
    assert "slept for 2:05" in found[1].what
    assert all("tapebridge check RIG" in trouble.remedy for trouble in found)
    granted = SenderReady(at=1.0, pid=1, priority="real time", timer="1 ns", memory="locked")
    assert told(granted) == ()


def segment(begin_s: float, length_s: float, torn: bool = False) -> Segment:
    path = Path("sound-001-000000000000.flac")
    return Segment(path=path, start=1, frame=0, begin_s=begin_s, length_s=length_s, rate=8000, channels=2, torn=torn)


def test_sound_that_ends_early_is_torn_or_cannot_be_read_is_told() -> None:
    assert sound_troubles([segment(0.5, 99.0)], [], 100.0) == ()
    (early,) = sound_troubles([segment(0.5, 30.0)], [], 100.0)
    assert (early.seconds, early.what) == (30.5, "The kept sound ends 1:09 before the take does.")
    (torn,) = sound_troubles([segment(0.5, 95.0, torn=True)], [], 100.0)
    assert torn.what == "The sound file sound-001-000000000000.flac has no end yet, or was cut; 95 s of it can be read."
    (unread,) = sound_troubles([], [("sound-001-000000000000.flac", "unknown format")], 100.0)
    assert unread.what == "The sound file sound-001-000000000000.flac cannot be read: unknown format."


def test_taps_that_came_too_late_are_summed_for_each_pedal() -> None:
    dropped = [TapsDropped(at=float(at), pedal="short echo", sent=1, count=2) for at in (5, 65)]
    assert words(*dropped) == [
        "4 late taps for short echo were left out, 2 times, the last at 1:05; until the next burst it kept the tempo "
        "that it had."
    ]


def test_what_was_refused_is_told_once_with_what_to_do() -> None:
    why = "the deck has no beat yet; tap one first"
    found = told(*(ActionRefused(at=at, action="this is one: north", why=why) for at in (5.0, 9.0)))
    assert [each.what for each in found] == [
        "“this is one: north” was asked for and not done, 2 times, the last at 0:09."
    ]
    assert found[0].remedy == "The deck has no beat yet; tap one first."


def test_a_looper_that_nobody_knew_about_any_more_is_told_with_how_to_say_what_it_does() -> None:
    doubt = LooperChanged(at=5.0, looper="loop box", was="playing", now="unknown", why="its port was gone")
    known = LooperChanged(at=7.0, looper="loop box", was="unknown", now="stopped", why="said by hand")
    (found,) = told(doubt, known)
    assert "loop box" in found.what
    assert "its port was gone" in found.what
    assert "looper is" in found.remedy


def test_osc_that_was_not_done_is_told_once_with_the_highest_counts() -> None:
    early = OscCounted(at=60.0, received=10, handled=8, refused=2, malformed=0)
    late = OscCounted(at=120.0, received=1500, handled=1480, refused=17, malformed=3, lost=40)
    assert words(early, late) == [
        "Of 1,500 OSC messages, 17 were refused and 3 malformed; 40 more came too thick and fast to be read."
    ]
    assert words(OscCounted(at=60.0, received=10, handled=10, refused=0, malformed=0)) == []
    named = OscCounted(at=60.0, received=2, handled=1, refused=1, malformed=0, why='there is no OSC address "/tap"')
    assert words(named) == [
        'Of 2 OSC messages, 1 were refused and 0 malformed (the newest: there is no OSC address "/tap").'
    ]
