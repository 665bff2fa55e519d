"""What a foot, a key, a cue or another program can ask for: a verb and whom it is about, in one line of text.

``tap: north``, ``hands off: long echo``, ``listens to: stutter, south``, ``mark: the rain begins``, ``all quiet``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

Kind = Literal["deck", "pedal", "looper", "cue", "text", "loop state"]
"""What a verb is about."""

LOOP_STATES = ("idle", "recording", "playing", "overdubbing", "stopped", "unknown")
"""What a looper can be said to do by hand."""

TEXT_MAX = 1000
"""Longest text of a mark, in characters."""


@dataclass(frozen=True, slots=True)
class Verb:
    """One thing that can be asked for.

    Attributes:
        of: What it is about, in the order in which that is written.
        does: What it does, for people.
        erases: Whether it may end or overwrite what somebody made: never to be had from beyond this machine.
    """

    of: tuple[Kind, ...]
    does: str
    erases: bool = False


VERBS: dict[str, Verb] = {
    "tap": Verb(("deck",), "a beat of the deck falls now; two taps start a guess, four settle it"),
    "keep": Verb(("deck",), "keep the tempo that the deck's pedals have"),
    "let go": Verb(("deck",), "let the deck's pedals follow again"),
    "twice": Verb(("deck",), "count the deck twice as fast"),
    "half": Verb(("deck",), "count the deck half as fast"),
    "off-beat": Verb(("deck",), "move the deck's beats by half a beat"),
    "faster": Verb(("deck",), "move the tempo of the deck's pedals up by 0.5 %, and keep it"),
    "slower": Verb(("deck",), "move the tempo of the deck's pedals down by 0.5 %, and keep it"),
    "this is one": Verb(("deck",), "the deck's nearest beat is the first of a bar"),
    "next tape": Verb(("deck",), "the next tape of the deck's list is in it; behind the last comes the first"),
    "hands off": Verb(("pedal",), "give a pedal back to its knobs"),
    "hands on": Verb(("pedal",), "tell a pedal its tempo again"),
    "go": Verb(("pedal",), "pass on the step that waits for the foot"),
    "listens to": Verb(("pedal", "deck"), "let a pedal follow another deck, with those that share its clock"),
    "mark": Verb(("text",), "put a mark into the take"),
    "arm": Verb(("looper",), "record from the next moment that its table says; armed: disarm; recording: close then"),
    "fire": Verb(("looper",), "do at once what the looper is armed for, or close what it records"),
    "overdub": Verb(("looper",), "begin or end an overdub", erases=True),
    "play": Verb(("looper",), "play the loop that is there"),
    "stop": Verb(("looper",), "stop the loop"),
    "clear": Verb(("looper",), "erase the loop", erases=True),
    "looper is": Verb(("looper", "loop state"), "say what a looper does after its own switch was pressed"),
    "cue": Verb(("cue",), "fire a cue by hand"),
    "all quiet": Verb((), "end held notes and contacts and close all loopers; the clocks go on"),
}
"""Everything that can be asked for."""


@dataclass(frozen=True, slots=True)
class Action:
    """What is asked for.

    Attributes:
        verb: A key of `VERBS`.
        names: Whom it is about, one for each kind in ``VERBS[verb].of``.
    """

    verb: str
    names: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.verb}: {', '.join(self.names)}" if self.names else self.verb


def action_of(text: str, known: Mapping[str, Iterable[str]] | None = None) -> Action:
    """Return the action that a line of text asks for.

    Args:
        text: As `Action` is written.
        known: Names that a rig has under "deck", "pedal", "looper" and "cue"; None to take any.

    Raises:
        ValueError: In words: the verb is unknown, or it is about somebody else.
    """
    written, _, rest = text.partition(":")
    word = written.strip().lower()
    if word not in VERBS:
        known_verb = next((verb for verb in VERBS if word.startswith(f"{verb} ")), None)
        if known_verb is not None and VERBS[known_verb].of:
            raise ValueError(
                f'"{text:.60}" lacks its colon: write "{known_verb}: {text.strip()[len(known_verb) + 1 :]:.40}"'
            )
        near = get_close_matches(word, VERBS, n=1, cutoff=0.5)
        guess = f'did you mean "{near[0]}"? ' if near else ""
        raise ValueError(f'"{text:.60}" begins with no known verb; {guess}known: {", ".join(VERBS)}')
    kinds = VERBS[word].of
    if kinds == ("text",):
        return Action(word, (_text(rest),))
    parts = [rest.strip()] if len(kinds) == 1 else [part.strip() for part in rest.rsplit(",", max(0, len(kinds) - 1))]
    names = [part for part in parts if part]
    if len(names) != len(kinds):
        wanted = ", ".join(kind.upper() for kind in kinds)
        raise ValueError(f'"{text:.60}" must be written {word}{f": {wanted}" if kinds else " alone"}')
    action = Action(word, tuple(names))
    check_names(action, known)
    return action


def check_names(action: Action, known: Mapping[str, Iterable[str]] | None = None) -> None:
    """Refuse an action about somebody who is not there.

    Raises:
        ValueError: In words.
    """
    kinds = VERBS[action.verb].of
    if len(kinds) != len(action.names):
        raise ValueError(f'"{action.verb}" is about {len(kinds)} names, got {len(action.names)}')
    for kind, name in zip(kinds, action.names, strict=True):
        if kind == "text":
            _text(name)
        else:
            _check_known(kind, name, known)


def _text(rest: str) -> str:
    if not 0 < len(rest.strip()) <= TEXT_MAX:
        raise ValueError(f"a mark needs a text of 1 to {TEXT_MAX} characters")
    return rest.strip()


def _check_known(kind: Kind, name: str, known: Mapping[str, Iterable[str]] | None) -> None:
    names = LOOP_STATES if kind == "loop state" else None if known is None else tuple(known.get(kind, ()))
    if names is not None and name not in names:
        near = get_close_matches(name.lower(), {known.lower() for known in names}, n=1, cutoff=0.6)
        meant = [known for known in names if near and known.lower() == near[0]]
        guess = f'did you mean "{meant[0]}"? ' if meant else ""
        quoted = ", ".join(f'"{known}"' for known in names) or "none"
        raise ValueError(f'there is no {kind} called "{name:.60}"; {guess}known: {quoted}')
