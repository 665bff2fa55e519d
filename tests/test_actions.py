"""What can be asked for, in one line of text."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.actions import LOOP_STATES, VERBS, Action, action_of

KNOWN = {"deck": ["north", "south"], "pedal": ["long echo"], "looper": ["loop box"], "cue": ["horns, low"]}
_NAME = {
    "deck": st.sampled_from(KNOWN["deck"]),
    "pedal": st.sampled_from(KNOWN["pedal"]),
    "looper": st.sampled_from(KNOWN["looper"]),
    "cue": st.sampled_from(KNOWN["cue"]),
    "loop state": st.sampled_from(LOOP_STATES),
    "text": st.text(min_size=1, max_size=1000).filter(lambda text: text == text.strip()),
}


@given(st.data())
def test_every_action_is_read_as_it_is_written(data: st.DataObject) -> None:
    verb = data.draw(st.sampled_from(sorted(VERBS)))
    action = Action(verb, tuple(data.draw(_NAME[kind]) for kind in VERBS[verb].of))
    assert action_of(str(action), KNOWN) == action
    assert action_of(str(action)) == action


def test_blanks_and_the_size_of_letters_of_a_verb_do_not_matter() -> None:
    assert action_of("  Hands Off :  long echo ") == Action("hands off", ("long echo",))


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("tapp: north", 'did you mean "tap"?'),
        ("tap north", 'lacks its colon: write "tap: north"'),
        ("arm: Loop Bix", 'did you mean "loop box"?'),
        ("", "begins with no known verb"),
        ("tap", "must be written tap: DECK"),
        ("tap: ", "must be written tap: DECK"),
        ("all quiet: north", "must be written all quiet alone"),
        ("tap: west", 'no deck called "west"; known: "north", "south"'),
        ("arm: tape", "no looper called"),
        ("looper is: loop box, asleep", "no loop state called"),
        ("listens to: long echo", "must be written listens to: PEDAL, DECK"),
        ("mark:  ", "1 to 1000 characters"),
        ("mark: " + "x" * 1001, "1 to 1000 characters"),
    ],
)
def test_what_cannot_be_asked_for_is_refused_in_words(text: str, complaint: str) -> None:
    with pytest.raises(ValueError, match=re.escape(complaint)):
        action_of(text, KNOWN)
