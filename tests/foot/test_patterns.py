"""OSC address patterns."""

from __future__ import annotations

import fnmatch

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.foot.patterns import matches


@pytest.mark.parametrize(
    ("pattern", "means", "not_"),
    [
        ("/first/this/one", ["/first/this/one"], ["/first/this", "/first/this/one/more"]),
        ("/second/[1-2]", ["/second/1", "/second/2"], ["/second/3", "/second/12", "/second/"]),
        ("/third/*", ["/third/a", "/third/", "/third/bcd"], ["/third/a/b", "/third", "/fourth/a"]),
        ("/a?c", ["/abc", "/aac"], ["/ac", "/abbc", "/a/c"]),
        ("/[a-c]x", ["/ax", "/cx"], ["/dx", "/-x"]),
        ("/[!a-c]x", ["/dx", "/-x"], ["/ax", "/x"]),
        ("/[abc-]", ["/-", "/a", "/c"], ["/d"]),
        ("/[a!]", ["/!", "/a"], ["/b"]),
        ("/{foo,bar}/x", ["/foo/x", "/bar/x"], ["/foobar/x", "/fo/x"]),
        ("/{a,ab}c", ["/ac", "/abc"], ["/bc"]),
        ("/*a*b*", ["/ab", "/xaxbx"], ["/ba", "/"]),
        ("/do/{keep,let-go}", ["/do/keep", "/do/let-go"], ["/do/tap"]),
    ],
)
def test_the_rules_of_the_standard(pattern, means, not_):
    """Source: OSC 1.0 (CHECK_VALUES 4): pattern rules, and the addresses of the dispatch example."""
    assert [address for address in (*means, *not_) if matches(pattern, address)] == means


@pytest.mark.parametrize("pattern", ["/[a", "/a]", "/{a,b", "/a}", "/[a{b}]", "/{a[b]}", "/x/[", "/{"])
def test_what_is_no_pattern_is_refused(pattern):
    with pytest.raises(ValueError, match="is no OSC pattern"):
        matches(pattern, "/a")


@given(pattern=st.text("ab?*", max_size=12), name=st.text("ab", max_size=12))
def test_stars_and_question_marks_mean_what_they_do_elsewhere(pattern, name):
    """The standard library's file-name patterns as a second opinion."""
    assert matches(f"/{pattern}", f"/{name}") == fnmatch.fnmatchcase(name, pattern)


def test_a_pattern_made_to_take_for_ever_does_not():
    """As many steps as pattern and name are long, multiplied; going back would take longer than the universe is old."""
    assert not matches("/" + "*a" * 2000 + "b", "/" + "a" * 2000)
