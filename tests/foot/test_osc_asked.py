"""What an OSC message asks for, and what is refused to whom."""

from __future__ import annotations

import pytest

from bridge.actions import VERBS, Action
from bridge.foot.osc_asked import PATTERN_MAX, MalformedError, OscAsked, RefusedError
from bridge.foot.switches import Switches
from bridge.osc_table import address_of
from bridge.rig_foot import Switch, Trigger

NAMES = {"deck": ["north", "south"], "pedal": ["long echo"], "looper": ["loop box"], "cue": ["rain"]}
LEFT = Switch(
    name="left",
    trigger=Trigger(kind="osc", word="/foot/left"),
    press=Action("keep", ("north",)),
    hold=Action("clear", ("loop box",)),
)
RIGHT = Switch(name="right", trigger=Trigger(kind="osc", word="/foot/right"), press=Action("keep", ("south",)))
ASKED = OscAsked(NAMES, Switches([LEFT, RIGHT]), ["keep", "mark", "clear"])
OF_KIND = {
    "deck": "north",
    "pedal": "long echo",
    "looper": "loop box",
    "cue": "rain",
    "text": "the ferry",
    "loop state": "playing",
}


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_an_address_and_a_line(verb):
    names = tuple(OF_KIND[kind] for kind in VERBS[verb].of)
    wanted = Action(verb, names)
    assert ASKED.read(address_of(verb), names, is_local=True) == [wanted]
    assert ASKED.read("/tapebridge/1/do", (str(wanted),), is_local=True) == [wanted]


def test_addresses_are_as_promised():
    assert ASKED.read("/tapebridge/1/do/hands-off", ("long echo",), is_local=True) == [
        Action("hands off", ("long echo",))
    ]


def test_a_switch_is_closed_and_opened():
    assert ASKED.read("/foot/left", (1,), is_local=True) == [(LEFT, "down")]
    assert ASKED.read("/foot/left", (0.0,), is_local=True) == [(LEFT, "up")]


def test_a_pattern_asks_for_all_that_it_means():
    asked = ASKED.read("/tapebridge/1/do/{keep,let-go}", ("north",), is_local=True)
    assert set(asked) == {Action("keep", ("north",)), Action("let go", ("north",))}
    assert {one[0].name for one in ASKED.read("/foot/*", (), is_local=True)} == {"left", "right"}


@pytest.mark.parametrize(
    ("address", "arguments", "why"),
    [
        ("/tapebridge/2/do/tap", ("north",), "there is no OSC address"),
        ("/nobody/*", (), "there is no OSC address"),
        ("/tapebridge/1/do/tap", ("east",), 'no deck called "east"; known: "north", "south"'),
        ("/tapebridge/1/do/tap", (), "takes 1 printable strings"),
        ("/tapebridge/1/do/tap", (1.0,), "takes 1 printable strings"),
        ("/tapebridge/1/do/tap", ("north", "south"), "takes 1 printable strings"),
        ("/tapebridge/1/do/all-quiet", (1,), "takes 0 printable strings"),
        ("/tapebridge/1/do/mark", ("the\nferry",), "takes 1 printable strings"),
        ("/tapebridge/1/do/mark", ("x" * 1001,), "1 to 1000 characters"),
        ("/tapebridge/1/do", ("fly: north",), "begins with no known verb"),
        ("/tapebridge/1/do/*", ("north",), "there is no|takes"),
        ("/foot/left", ("on",), "takes a number"),
        (f"/foot/{{{',' * PATTERN_MAX}left}}", (), "there is no OSC address"),  # matched, it would take long
    ],
)
def test_what_there_is_not_is_refused_in_words(address, arguments, why):
    with pytest.raises(RefusedError, match=why):
        ASKED.read(address, arguments, is_local=True)


def test_a_pattern_that_is_none_is_malformed():
    with pytest.raises(MalformedError):
        ASKED.read("/tapebridge/1/do/[", (), is_local=True)


@pytest.mark.parametrize("verb", VERBS)
def test_from_another_machine_only_what_the_rig_allows_and_nothing_that_erases(verb):
    names = tuple(OF_KIND[kind] for kind in VERBS[verb].of)
    for address, arguments in ((address_of(verb), names), ("/tapebridge/1/do", (str(Action(verb, names)),))):
        if verb in ("keep", "mark"):
            assert ASKED.read(address, arguments, is_local=False) == [Action(verb, names)]
        else:  # clear stands in the list, and erases
            with pytest.raises(RefusedError, match="not to be had from another machine"):
                ASKED.read(address, arguments, is_local=False)


def test_from_another_machine_a_switch_counts_as_all_that_it_can_do():
    with pytest.raises(RefusedError, match='"clear" is not to be had'):
        ASKED.read("/foot/left", (), is_local=False)
    assert ASKED.read("/foot/right", (), is_local=False) == [(RIGHT, "touch")]
    with pytest.raises(RefusedError):
        ASKED.read("/foot/*", (), is_local=False)
