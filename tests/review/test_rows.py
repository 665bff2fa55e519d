"""Numbers carry units, times are m:ss, and the first sentences say what happened."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.events import DeckChanged, PortLost, TakeEnded, TakeStarted
from bridge.events_foot import CueFired
from bridge.events_hand import HandsOff, LoopChanged
from bridge.events_host import DryTapTurned
from bridge.events_sent import TapsSent
from bridge.journal.recover import LineFault
from bridge.review.facts import tell
from bridge.review.rows import summary, tables, title
from bridge.review.table import LONG_TABLE
from bridge.review.troubles import troubles
from tests.review.sample import BEGAN, LENGTH_S, WALL, ferry_night


def plain(text: str) -> str:
    return text.replace("\xa0", " ")


def table(title: str) -> list[tuple[str, ...]]:
    facts = ferry_night()
    found = {t.title: t for t in tables(tell(facts), troubles(facts, [], BEGAN))}
    return [tuple(map(plain, row)) for row in found[title].rows]


def test_the_first_sentences_say_length_decks_share_and_trouble() -> None:
    facts = ferry_night()
    first, second = map(plain, summary(tell(facts), troubles(facts, [], BEGAN)))
    assert first == (
        "The take lasts 2:00, with the decks north and south; "
        "the bridge followed north for 70 % and south for 38 % of the time."
    )
    assert second == (
        "Tapes were started once, stopped once, changed for another once and switched in speed once. "
        "3 things went wrong, the first: at 1:06, 3 late clock ticks were left out on Pedals A."
    )


def test_a_set_without_trouble_says_so() -> None:
    assert summary(tell(ferry_night()), [])[1].endswith(" and switched in speed once, and nothing went wrong.")


def test_decks_that_were_already_running_are_not_counted_as_changed_by_hand() -> None:
    """A tape that runs from the begin, and is heard again by a second listener."""
    running = [
        DeckChanged(
            at=BEGAN + seconds,
            deck="north",
            change="started",
            tempo_before=None,
            tempo_after=None,
            level_before_db=-90,
            level_after_db=-20,
            known=BEGAN + seconds + 0.1,
        )
        for seconds in (0.1, 93.7)
    ]
    facts = [fact for fact in ferry_night() if not isinstance(fact, DeckChanged)] + running
    assert summary(tell(facts), [])[1] == "No deck was changed, and nothing went wrong."
    rows = {t.title: t.rows for t in tables(tell(facts), [])}["Deck changes"]
    assert [row[2] for row in rows] == ["already running"] * 2


def test_a_start_with_another_tape_is_told_as_the_other_tape_alone() -> None:
    facts = ferry_night()
    for fact in [fact for fact in facts if isinstance(fact, DeckChanged)]:
        if fact.change == "another tape":
            facts.append(replace(fact, at=fact.at + 1e-9, change="started", tempo_before=None, tempo_after=None))
        elif fact.change == "stopped":
            facts.append(replace(fact, at=fact.at - 30, known=fact.known - 30))
    assert plain(summary(tell(facts), [])[1]).startswith(
        "Tapes were started once, stopped twice, changed for another once and switched in speed once,"
    )


def test_a_dry_tap_that_falls_silent_is_no_change_by_hand() -> None:
    """As the engine tells it: the tap fell silent at 50 s, and was given up after 10 s for channels that were not."""
    facts = [fact for fact in ferry_night() if not isinstance(fact, DeckChanged)]
    levels = {"level_before_db": -20.0, "level_after_db": -20.0, "tempo_before": None, "tempo_after": None}
    facts += [
        DeckChanged(at=BEGAN + 50, deck="north", change="stopped", known=BEGAN + 51, **levels),
        DryTapTurned(at=BEGAN + 61, deck="north", is_heard=False),
        DeckChanged(at=BEGAN + 60.99, deck="north", change="started", known=BEGAN + 61.03, **levels),
        DeckChanged(at=BEGAN + 61, deck="south", change="stopped", known=BEGAN + 62, **levels),
    ]
    assert summary(tell(facts), [])[1] == "Tapes were stopped once, and nothing went wrong."
    rows = {t.title: t.rows for t in tables(tell(facts), [])}["Deck changes"]
    assert [row[1:3] for row in rows] == [
        ("north", "dry tap fell silent"),
        ("north", "heard by its channels"),
        ("south", "stopped"),
    ]


def test_what_a_mixers_output_told_is_not_sure_and_not_counted() -> None:
    facts = [replace(fact, sure=False) if isinstance(fact, DeckChanged) else fact for fact in ferry_night()]
    assert summary(tell(facts), [])[1] == "No deck was changed, and nothing went wrong."
    rows = {t.title: t.rows for t in tables(tell(facts), [])}["Deck changes"]
    assert all(row[2].endswith(", perhaps") for row in rows)


def test_trouble_goes_on_the_sentence_that_tells_it() -> None:
    lost = [TakeStarted(at=0, wall=WALL, name="", version="", decks=(), pedals=()), TakeEnded(at=60, why="end")]
    lost.insert(1, PortLost(at=0.5, port="Pedals A", why="no such port"))
    assert summary(tell(lost), troubles(lost, [], 0.0))[1] == (
        "No deck was changed. One thing went wrong: "
        "at 0:00, the MIDI port Pedals A was gone and did not come back (no such port)."
    )


def test_a_spoiled_line_is_not_quoted_in_the_first_sentences() -> None:
    facts = ferry_night()
    found = troubles([TakeEnded(at=BEGAN + LENGTH_S, why="end")], [LineFault(7, 'torn: {"fact":"Beat')], BEGAN)
    assert summary(tell(facts), found)[1].endswith("One thing went wrong: a line of the journal could not be read.")
    assert 'line 7: torn: {"fact":"Beat' in found[0].what


@pytest.mark.parametrize(
    ("folder", "wanted"), [("20261125T190312Z-ferry-night", "ferry night"), ("night", "night"), ("-", "-"), ("", "")]
)
def test_a_take_is_called_by_its_name_without_the_time(folder: str, wanted: str) -> None:
    assert title(tell([]), folder) == wanted
    assert title(tell(ferry_night()), folder) == "ferry night"


def test_an_empty_take_says_so() -> None:
    assert summary(tell([]), []) == ("Nothing was written down in this take.",)


def test_tables_hold_the_facts() -> None:
    assert table("Deck changes")[2] == (
        "0:58",
        "north",
        "another tape",
        "85.5 bpm",
        "59.0 bpm",
        "−31.0 %",
        "5.2 s later",
    )
    assert table("Deck changes")[0] == ("0:28", "south", "started", "–", "–", "–", "0.9 s later")
    assert table("States")[2] == ("north", "following", "0:20", "0:56", "36.5 s")
    assert table("Marks")[1] == ("1:11", "19:04:23", "kettle on ☕ 灯台")
    assert table("Decks")[0][:2] == ("north", "70 %")
    assert table("Pedals")[1][:3] == ("short echo", "south", "1.5")
    assert table("What went wrong")[2][0] == "1:32"
    assert table("Drift between changes")[0][:7] == (
        "north",
        "0:17",
        "0:54",
        "84.1 bpm",
        "85.4 bpm",
        "+1.6 %",
        "+28 cents",
    )


def test_the_states_and_every_long_table_are_folded_away() -> None:
    facts = ferry_night()
    marks = [fact for fact in facts if type(fact).__name__ == "MarkPlaced"] * LONG_TABLE
    folded = {t.title: t.folded for t in tables(tell(facts + marks), [])}
    assert folded["States"]
    assert folded["Marks"]
    assert not folded["Decks"]


def test_a_time_in_a_table_leads_to_its_moment() -> None:
    found = {t.title: t for t in tables(tell(ferry_night()), [])}
    assert found["Marks"].moments == (pytest.approx(31.4), pytest.approx(71.0))
    assert all(len(t.moments) in (0, len(t.rows)) for t in found.values())


def test_drift_echoes_and_chapters_are_told_with_their_units() -> None:
    assert table("Drift between changes")[0][7:] == ("+7 to +33 cents", "2.3 cents")
    assert table("Echoes on the beat")[0][:4] == ("long echo", "92 %", "92 %", "92 %")
    assert table("Echoes on the beat")[0][4].endswith(" beats")
    assert table("Catching up") == [("1:25", "long echo", "3.1 s", "−50.5 %")]
    assert table("Chapters")[0] == ("0:00", "north at 84 bpm")
    assert table("Moved by the hand") == []
    assert table("What could be heard")[0] == ("0:00", "0:27", "27.0 s", "north")


def test_deeds_and_loops_have_tables_only_where_there_were_any() -> None:
    facts = ferry_night()
    assert not {"Hands and feet", "Loops", "Cues"} & {t.title for t in tables(tell(facts), [])}
    facts += [
        HandsOff(at=BEGAN + 40, pedal="long echo"),
        CueFired(at=BEGAN + 45, cue="fog lamp", why="the beat returned"),
        LoopChanged(at=BEGAN + 30, pedal="long echo", loop="recording"),
        LoopChanged(at=BEGAN + 34, pedal="long echo", loop="playing"),
        LoopChanged(at=BEGAN + 50, pedal="long echo", loop="stopped"),
        TapsSent(at=BEGAN + 41, pedal="short echo", tempo=84.0, count=4),
    ]
    found = {t.title: t for t in tables(tell(facts), [])}
    assert found["Hands and feet"].rows[0][:2] == ("0:40", "long echo")
    assert found["Cues"].rows == (("0:45", "fog lamp", "the beat returned"),)
    recorded, pedal, length, count, played, *apart = map(plain, found["Loops"].rows[0])
    assert (recorded, pedal, length, played) == ("0:30", "long echo", "4.00 s", "16.0 s")
    assert float(count) == pytest.approx(4 * 84.6 / 60, abs=0.05)
    assert [each.endswith(" ms") for each in apart] == [True, True]
    assert found["Pedals"].heads[-2:] == ("Taps", "Delay times")
    assert found["Pedals"].rows[1][-2:] == ("4", "0")
