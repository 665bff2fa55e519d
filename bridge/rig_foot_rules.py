"""What loopers, cues, switches and lamps ask of each other and of the decks and pedals of their rig.

As `bridge.rig_rules`, the rules read what `tomllib` gave, and pass over what has a wrong type.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from bridge.actions import VERBS, action_of
from bridge.rig_foot import EDGES, LampShows, Trigger
from bridge.rig_foot_words import moment_of, trigger_of
from bridge.rig_rules import Finding, nearest, quoted, repeated_names, shown, stranger, tables
from bridge.toml_lines import KeyPath, line_of

LAMPS: dict[LampShows, str] = {
    "beat": "deck",
    "following": "deck",
    "holding": "deck",
    "kept": "deck",
    "hands off": "pedal",
    "armed": "looper",
    "recording": "looper",
    "playing": "looper",
    "unknown": "looper",
}
"""What a lamp can show, and of whom."""

_USES = ("press", "hold", "double")


def broken_foot_rules(raw: dict[str, Any], lines: dict[KeyPath, int]) -> Iterator[Finding]:
    """Yield every breach of a rule of loopers, cues, switches and lamps.

    Args:
        raw: The whole rig as `tomllib` read it, with the cues of its cue sheet.
        lines: Line of each key, since a clash names both places.
    """
    known = {kind: _names(raw, f"{kind}s") for kind in ("deck", "pedal", "looper", "cue")}
    for key in ("loopers", "cues", "switches"):
        yield from repeated_names(key, tables(raw, key), lines)
    for index, looper in tables(raw, "loopers").items():
        yield from _looper_at_odds(("loopers", index), looper, known, "osc" in raw)
    yield from _claimed_twice(tables(raw, "loopers"), lines)
    for index, cue in tables(raw, "cues").items():
        yield from _cue_at_odds(("cues", index), cue, known, "osc" in raw)
    for index, switch in tables(raw, "switches").items():
        yield from _switch_at_odds(("switches", index), switch, known, "osc_in" in raw)
    yield from _colliding(tables(raw, "switches"), lines)
    for index, lamp in tables(raw, "lamps").items():
        yield from _lamp_at_odds(("lamps", index), lamp, known)
    yield from _edges_missing(raw)
    if isinstance(raw.get("osc_in"), dict):
        yield from _allowed(raw["osc_in"])
        yield from _hears_itself(raw["osc_in"], raw.get("osc"))


def _names(raw: dict[str, Any], key: str) -> list[str]:
    return [table["name"] for table in tables(raw, key).values() if isinstance(table.get("name"), str)]


def _looper_at_odds(key: KeyPath, looper: dict[str, Any], known: dict[str, list[str]], osc: bool) -> Iterator[Finding]:
    yield from stranger((*key, "listens_to"), looper.get("listens_to"), "deck", known["deck"])
    yield from stranger((*key, "pedal"), looper.get("pedal"), "pedal", known["pedal"])
    edges = {edge: looper[edge] for edge in EDGES if isinstance(looper.get(edge), dict)}
    if "record" in edges and not {"play", "stop"} & set(edges):
        remedy = "Write a table [loopers.play] or [loopers.stop] with the messages that close it"
        yield key, "has nothing that closes a recording", remedy
    for name, edge in edges.items():
        yield from _unreachable((*key, name, "messages"), edge.get("messages"), looper.get("port"), osc)
    if looper.get("starts_on") == "now" and looper.get("bars") is not None:
        found = f"{shown(looper['bars'])}counts bars of a beat, but starts_on is now"
        yield (*key, "bars"), found, 'Write starts_on = "beat" or "bar", or take bars away'


def _unreachable(key: KeyPath, messages: Any, port: Any, osc: bool) -> Iterator[Finding]:
    texts = [text for text in messages if isinstance(text, str)] if isinstance(messages, list) else []
    by_osc = [text for text in texts if text.split()[:1] == ["osc"]]
    if by_osc and not osc:
        yield (
            key,
            "has nowhere to go: the rig has no table [osc]",
            "Write a table [osc] with the receiver's host and port",
        )
    if by_osc and len(texts) > 1:
        yield key, f"{shown(messages)}mixes OSC with other messages", "Send one OSC message, or MIDI messages alone"
    if len(by_osc) < len(texts) and port is None:
        yield (*key[:2], "port"), "is missing", "Give the name of a MIDI output, as tapebridge ports lists it"


def _claimed_twice(loopers: Mapping[int, dict[str, Any]], lines: dict[KeyPath, int]) -> Iterator[Finding]:
    """A message that two loopers take would start both."""
    first: dict[tuple[Any, ...], tuple[int, str]] = {}
    for index, looper in loopers.items():
        for edge in EDGES:
            table = looper.get(edge)
            messages = table.get("messages") if isinstance(table, dict) else None
            for text in messages if isinstance(messages, list) else ():
                if not isinstance(text, str):
                    continue
                words = " ".join(text.split())
                place = ("osc",) if words.startswith("osc ") else (looper.get("port"), looper.get("channel", 1))
                owner, where = first.setdefault((words, *place), (index, edge))
                if owner != index:
                    line = line_of(lines, ("loopers", owner, where, "messages"))
                    found = (
                        f'has "{words}", which looper {quoted([str(loopers[owner].get("name"))])} has in line {line}'
                    )
                    yield (
                        ("loopers", index, edge, "messages"),
                        found,
                        "Give one of them another port, channel or number",
                    )


def _cue_at_odds(key: KeyPath, cue: dict[str, Any], known: dict[str, list[str]], osc: bool) -> Iterator[Finding]:
    if isinstance(cue.get("when"), str):
        try:
            moment = moment_of(cue["when"])
        except ValueError:
            pass
        else:
            yield from stranger((*key, "when"), moment.deck, "deck", known["deck"])
    for index, text in enumerate(cue["does"]) if isinstance(cue.get("does"), list) else ():
        yield from _unknown_action((*key, "does", index), text, known)
        if isinstance(text, str) and text.split(":")[0].strip().lower() == "cue":
            yield (*key, "does", index), f"{shown(text)}fires a cue from a cue", "Write the other cue's actions here"
    yield from _unreachable((*key, "messages"), cue.get("messages"), cue.get("port"), osc)
    if not cue.get("does") and not cue.get("messages"):
        yield key, "does nothing", "Give it does, or messages, or both"


def _unknown_action(key: KeyPath, text: Any, known: dict[str, list[str]]) -> Iterator[Finding]:
    """Tell of an action whose names this rig does not have; one that cannot be read is told with the other types."""
    if not isinstance(text, str):
        return
    try:
        action_of(text)
    except ValueError:
        return
    try:
        action_of(text, known)
    except ValueError as error:
        yield key, f"{shown(text)}cannot be done here: {error}", "Name somebody who is in this rig"


def _edges_missing(raw: dict[str, Any]) -> Iterator[Finding]:
    """Actions that a looper has no messages for."""
    loopers = {str(table.get("name")): table for table in tables(raw, "loopers").values()}
    asked: list[tuple[KeyPath, Any]] = [
        (("switches", i, use), switch.get(use)) for i, switch in tables(raw, "switches").items() for use in _USES
    ]
    for index, cue in tables(raw, "cues").items():
        does = cue.get("does")
        asked += [(("cues", index, "does", i), text) for i, text in enumerate(does if isinstance(does, list) else ())]
    for key, text in asked:
        verb, name = _verb(text), str(text).partition(":")[2].strip()
        if verb in ("overdub", "play", "stop", "clear") and name in loopers and verb not in loopers[name]:
            found = f"{shown(text)}has nothing to send: the looper has no table [loopers.{verb}]"
            yield key, found, "Write one, or ask for something else"


def _hears_itself(osc_in: dict[str, Any], osc: Any) -> Iterator[Finding]:
    here = ("127.0.0.1", "localhost", "::1")
    if isinstance(osc, dict) and osc.get("port") == osc_in.get("port") and osc.get("host", here[0]) in here:
        found = f"{shown(osc_in.get('port'))}is where [osc] sends to: the bridge would hear itself"
        yield ("osc_in", "port"), found, "Give one of them another port"


def _switch_at_odds(key: KeyPath, switch: dict[str, Any], known: dict[str, list[str]], osc: bool) -> Iterator[Finding]:
    for use in _USES:
        yield from _unknown_action((*key, use), switch.get(use), known)
    if not any(use in switch for use in _USES):
        yield key, "does nothing", "Give it press, hold or double"
    low, gap = switch.get("threshold", 64), switch.get("hysteresis", 16)
    if isinstance(low, int) and isinstance(gap, int) and gap >= low > 0:
        found = f"{shown(gap)}leaves no value at which it is released"
        yield (*key, "hysteresis"), found, f"Give less than the threshold, {low}"
    trigger = _trigger(switch)
    if trigger is None:
        return
    if trigger.kind in ("note", "cc", "program") and "port" not in switch:
        yield (*key, "port"), "is missing", "Give the name of a MIDI input, as tapebridge ports lists it"
    if trigger.kind == "osc" and not osc:
        remedy = "Write a table [osc_in] with the port to listen at"
        yield (*key, "trigger"), "can never come: the rig has no table [osc_in]", remedy
    if trigger.kind in ("program", "key") and "hold" in switch:
        yield (*key, "hold"), f"cannot be told: a {trigger.kind} has no release", "Use press or double"
    if "double" in switch and "tap" in (_verb(switch.get("press")), _verb(switch.get("double"))):
        yield (*key, "double"), "is on a switch that taps, which cannot wait for it", "Give it a switch of its own"
    if "hold" in switch and _verb(switch.get("press")) == "tap":
        yield (*key, "hold"), "is on a switch that taps, which tells nothing else", "Give it a switch of its own"


def _verb(text: Any) -> str:
    return text.split(":")[0].strip().lower() if isinstance(text, str) else ""


def _trigger(switch: dict[str, Any]) -> Trigger | None:
    try:
        return trigger_of(switch["trigger"]) if isinstance(switch.get("trigger"), str) else None
    except ValueError:
        return None


def _colliding(switches: Mapping[int, dict[str, Any]], lines: dict[KeyPath, int]) -> Iterator[Finding]:
    """One message is one switch; a switch of any channel has those of every channel."""
    for index, switch in switches.items():
        trigger = _trigger(switch)
        for other in (i for i in switches if i < index and trigger is not None):
            if _trigger(switches[other]) != trigger or switch.get("port") != switches[other].get("port"):
                continue
            channels = {switch.get("channel"), switches[other].get("channel")}
            if len(channels) == 1 or None in channels:
                line = line_of(lines, ("switches", other, "trigger"))
                found = f"{shown(switch['trigger'])}is another switch already, in line {line}"
                yield ("switches", index, "trigger"), found, "Give each switch a message of its own"


def _lamp_at_odds(key: KeyPath, lamp: dict[str, Any], known: dict[str, list[str]]) -> Iterator[Finding]:
    shows = lamp.get("shows")
    if isinstance(shows, str):
        word, _, name = (part.strip() for part in shows.partition(":"))
        if word not in LAMPS:
            yield (*key, "shows"), f"{shown(shows)}begins with nothing that a lamp shows", f"Known: {', '.join(LAMPS)}"
        else:
            kind = LAMPS[word]
            yield from stranger((*key, "shows"), name, kind, known[kind])
    for side in ("on", "off"):
        texts = lamp.get(side)
        if isinstance(texts, list) and any(isinstance(text, str) and text.startswith("osc ") for text in texts):
            yield (*key, side), f"{shown(texts)}is OSC, and a lamp has a MIDI port", "Write MIDI messages"


def _allowed(osc_in: dict[str, Any]) -> Iterator[Finding]:
    allow = osc_in.get("allow")
    for index, verb in enumerate(allow) if isinstance(allow, list) else ():
        if not isinstance(verb, str):
            continue
        if verb not in VERBS:
            near = nearest(verb, VERBS)
            guess = f'Did you mean "{near}"? ' if near else ""
            yield ("osc_in", "allow", index), f"{shown(verb)}is no known verb", f"{guess}Known: {', '.join(VERBS)}"
        elif VERBS[verb].erases:
            found = f"{shown(verb)}may erase what somebody made, and is never taken from another machine"
            yield ("osc_in", "allow", index), found, "Take it away"
