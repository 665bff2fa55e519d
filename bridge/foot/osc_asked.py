"""What an OSC message asks for: an action, or a switch that closes or opens; and what is refused to whom."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache

from bridge.actions import VERBS, Action, action_of
from bridge.foot.patterns import WILD, matches
from bridge.foot.switches import Switches, Way
from bridge.osc_table import DO, address_of
from bridge.rig_foot import Switch

Asked = Action | tuple[Switch, Way]
"""An action to do, or a switch that was closed or opened."""

_VERB_AT = {address_of(verb): verb for verb in VERBS}

PATTERN_MAX = 128
"""Characters of the longest address pattern that is matched: none takes more than a few milliseconds."""

PATTERNS_KEPT = 256
"""Address patterns whose matches are remembered."""


class MalformedError(ValueError):
    """An address pattern that is none."""


class RefusedError(ValueError):
    """A message that asks for what there is not, or what its sender may not have."""


class OscAsked:
    """Reads messages.

    Args:
        names: Names of the rig under "deck", "pedal", "looper" and "cue".
        switches: The switches of the rig.
        allow: Verbs that are taken from other machines; those that erase never are.
    """

    def __init__(self, names: Mapping[str, Iterable[str]], switches: Switches, allow: Iterable[str]) -> None:
        self._names = {kind: tuple(known) for kind, known in names.items()}
        self._switches = switches
        self._allow = frozenset(verb for verb in allow if verb in VERBS and not VERBS[verb].erases)
        self._addresses = dict.fromkeys((DO, *_VERB_AT, *switches.addresses))
        self._matching = lru_cache(PATTERNS_KEPT)(self._match)

    def read(self, address: str, arguments: tuple[object, ...], *, is_local: bool) -> list[Asked]:
        """Return all that a message asks for, of every address that its pattern means.

        Args:
            address: Address or address pattern.
            arguments: As they came.
            is_local: Whether it came from this machine by its loopback.

        Raises:
            MalformedError: The pattern is none.
            RefusedError: It means no address here, its arguments are wrong, or its sender may not have it. Then
                nothing of it is to be done, whatever else it asks for.
        """
        is_pattern = len(address) <= PATTERN_MAX and not WILD.isdisjoint(address)
        found = [address] if address in self._addresses else self._matching(address) if is_pattern else []
        if not found:
            raise RefusedError(f'there is no OSC address "{address:.60}": tapebridge osc')
        asked: list[Asked] = []
        try:
            for name in found:
                asked += self._asked(name, arguments)
        except ValueError as error:
            raise RefusedError(str(error)) from None
        if not is_local:
            for one in asked:
                self._demand_allowed(one)
        return asked

    def _match(self, pattern: str) -> list[str]:
        try:
            return [address for address in self._addresses if matches(pattern, address)]
        except ValueError as error:
            raise MalformedError(str(error)) from None

    def _asked(self, address: str, arguments: tuple[object, ...]) -> list[Asked]:
        if address != DO and address not in _VERB_AT:
            return list(self._switches.of_osc(address, arguments))
        words = [word for word in arguments if isinstance(word, str) and word.isprintable()]
        verb = _VERB_AT.get(address)
        wanted = 1 if verb is None else len(VERBS[verb].of)
        if len(arguments) != wanted or len(words) != wanted:
            raise ValueError(f"{address} takes {wanted} printable strings, and nothing else: tapebridge osc")
        return [action_of(words[0] if verb is None else str(Action(verb, tuple(words))), self._names)]

    def _demand_allowed(self, asked: Asked) -> None:
        switch_does = () if isinstance(asked, Action) else (asked[0].press, asked[0].hold, asked[0].double)
        for action in (asked,) if isinstance(asked, Action) else switch_does:
            if action is not None and action.verb not in self._allow:
                raise RefusedError(f'"{action.verb}" is not to be had from another machine: [osc_in] allow')
