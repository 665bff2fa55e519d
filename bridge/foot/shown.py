"""What arrives, as lines to paste into a rig: a table of a switch the first time, and a comment each time after it."""

from __future__ import annotations

import json
from collections.abc import Iterable

from bridge.foot.switches import Heard, heard
from bridge.osc_table import DO
from bridge.rig_foot import Switch, Trigger, TriggerKind
from bridge.rig_foot_words import trigger_of, trigger_text

SEEN_MAX = 1000
"""Switches whose table is remembered as shown; when more came, all are shown again."""

ARGUMENTS_MAX = 60
"""Characters of a message's arguments, or bytes, that a comment shows."""


class Shown:
    """Writes down what arrives, each as one text of lines.

    A table that was pasted does a harmless thing, puts a mark into the take, until its ``press`` is written.

    Args:
        switches: The switches that the rig has already; they are named in a comment.
    """

    def __init__(self, switches: Iterable[Switch] = ()) -> None:
        self._switches = tuple(switches)
        self._seen: set[tuple[str, int | None, Trigger]] = set()

    def of_midi(self, port: str, data: bytes) -> str:
        """Return what a whole MIDI message looks like.

        Args:
            port: The input, as the rig names it, or else by its full name.
            data: One message.
        """
        said = heard(data)
        if said is None:
            sent = f"{data[:ARGUMENTS_MAX].hex(' ').upper()}{' ...' if len(data) > ARGUMENTS_MAX else ''}"
            return f"# {_quoted(port)} sent {sent}: no switch can be that"
        what = f"{_quoted(port)}, channel {said.channel}, {said.kind} {said.number}{_value(said)}"
        return self._text(what, said.kind, number=said.number, port=port, channel=said.channel)

    def of_key(self, key: str) -> str:
        """Return what a key looks like.

        Args:
            key: Its name, as `bridge.foot.typed` has it.
        """
        return self._text(f"key {key}", "key", word=key)

    def of_osc(self, address: str, arguments: tuple[object, ...], source: str) -> str:
        """Return what an OSC message looks like.

        Args:
            address: Its address.
            arguments: As they came.
            source: The sender's address.
        """
        shown = " ".join(_quoted(one) if isinstance(one, str) else str(one) for one in arguments)
        cut = f"{shown[:ARGUMENTS_MAX]} ..." if len(shown) > ARGUMENTS_MAX else shown
        what = f"osc {_printable(address)}{f' {_printable(cut)}' if cut else ''} from {source}"
        if address == DO or address.startswith(f"{DO}/"):
            return f"# {what}: an address of the bridge's own, see tapebridge osc"
        return self._text(what, "osc", word=address)

    def _text(
        self,
        what: str,
        kind: TriggerKind,
        *,
        number: int = 0,
        word: str = "",
        port: str = "",
        channel: int | None = None,
    ) -> str:
        trigger = Trigger(kind=kind, number=number, word=word)
        try:
            trigger_of(trigger_text(kind, number, word))
        except ValueError as error:
            return f"# {what}: no switch can be that: it {error}"
        for switch in self._switches:
            if (switch.port, switch.trigger) == (port, trigger) and switch.channel in (None, channel):
                return f"# {what}: switch {_quoted(switch.name)} of the rig"
        if (port, channel, trigger) in self._seen:
            return f"# {what}"
        if len(self._seen) >= SEEN_MAX:
            self._seen.clear()
        self._seen.add((port, channel, trigger))
        return "\n".join([f"# {what}", *_table(trigger, port, channel), ""])


def _table(trigger: Trigger, port: str, channel: int | None) -> list[str]:
    text = trigger_text(trigger.kind, trigger.number, trigger.word)
    name = " ".join(filter(None, (port, text, f"channel {channel}" if channel is not None else "")))
    return [
        "[[switches]]",
        f"name = {_quoted(name)}",
        *([f"port = {_quoted(port)}"] if port else []),
        *([f"channel = {channel}"] if channel is not None else []),
        f"trigger = {_quoted(text)}",
        f"press = {_quoted(f'mark: {text}')}  # what it does: tapebridge do --help",
    ]


def _value(said: Heard) -> str:
    return "" if said.kind == "program" else f": {said.value}"


def _quoted(text: str) -> str:
    """Return a text as TOML has it; JSON's escapes are TOML's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _printable(text: str) -> str:
    """Return a text whose every sign can stand in a comment."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)
