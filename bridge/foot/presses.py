"""How a switch was used: its contact closes and opens, and a press, a hold or a double press comes of it.

A contact bounces: it opens and closes a few times within milliseconds. It counts as closed from its first touch on, so
that a tap is never late, and as open only once it has been open for `BOUNCE_S`; what lies between is no use of its own.

=================================  ==========================================================================
what the switch has                when it is told, and with which time
=================================  ==========================================================================
``press`` alone, or it taps        as it closes, with that time; nothing else is told of it
``hold``                           a hold: `Switch.hold_s` after it closed, if it still is; a press: as it opens
``double``                         a double: as it closes again within `Switch.double_s`; a press: when that is over
``hold`` and ``double``            a press: when it has opened and that is over
=================================  ==========================================================================

A press that is told late bears the time at which the contact closed: that is when the foot came down.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import inf, isfinite

from bridge.events_foot import PressKind
from bridge.rig_foot import Switch

BOUNCE_S = 0.025
"""A contact that opens for less than so many seconds has not been let go."""


@dataclass(frozen=True, slots=True)
class Use:
    """A switch was used.

    Attributes:
        at: Host time in seconds at which it was pressed; of a hold, at which it became one.
        switch: Which.
        how: How.
    """

    at: float
    switch: Switch
    how: PressKind


def acts_at_once(switch: Switch) -> bool:
    """Return whether a switch acts as soon as it closes: it has neither hold nor double, or it taps."""
    return (switch.hold is None and switch.double is None) or (switch.press is not None and switch.press.verb == "tap")


class Presses:
    """Tells uses from contacts, of all switches of a rig.

    Uses for which a switch has no action are not told. What is handed in must be called with the time at which it
    happened; a time before the latest at which the same switch moved, or was decided on, counts as that one.

    Args:
        switches: The switches, whose names differ.
    """

    def __init__(self, switches: Iterable[Switch]) -> None:
        self._contacts = {switch.name: _Contact(switch) for switch in switches}

    def down(self, name: str, at: float) -> list[Use]:
        """Take in that a switch closed at ``at``, and return what that tells, oldest first.

        Raises:
            ValueError: ``at`` is not finite.
            KeyError: There is no such switch.
        """
        return self._contacts[name].take(at, _Contact.close)

    def up(self, name: str, at: float) -> list[Use]:
        """Take in that a switch opened at ``at``, as `down`."""
        return self._contacts[name].take(at, _Contact.open)

    def touch(self, name: str, at: float) -> list[Use]:
        """Take in a press whose end nobody will tell, as `down`."""
        return self.down(name, at) + self.up(name, at)

    def lost(self, name: str, at: float) -> list[Use]:
        """Take in that a switch is gone, as with its plug: what was begun and is undecided is no use."""
        return self._contacts[name].take(at, _Contact.forget)

    def next_due(self) -> float:
        """Return when `due` will have something to decide, in host seconds; inf for never."""
        return min((contact.next_due() for contact in self._contacts.values()), default=inf)

    def due(self, now: float) -> list[Use]:
        """Return what is told by time alone, oldest first."""
        uses = [use for contact in self._contacts.values() for use in contact.take(now, None)]
        return sorted(uses, key=lambda use: use.at)


class _Contact:
    """One switch.

    Its use is undecided from ``_pressed`` on, the time at which it closed; ``_let_go`` says that it opened since.
    """

    def __init__(self, switch: Switch) -> None:
        self._switch = switch
        self._at_once = acts_at_once(switch)
        self._closed = False
        self._opening: float | None = None  # it opened then, perhaps for good
        self._pressed: float | None = None
        self._let_go = False
        self._latest = -inf
        self._told: list[Use] = []

    def take(self, at: float, change: Callable[[_Contact, float], None] | None) -> list[Use]:
        """Decide what was due until ``at``, then let a change happen; return what was told."""
        if not isfinite(at):
            raise ValueError(f"at must be a finite time in seconds, got {at!r}")
        at = max(at, self._latest)
        while (due := self.next_due()) <= at:
            self._decide()
            self._latest = due
        if change is not None:
            self._latest = at
            change(self, at)
        told, self._told = self._told, []
        return told

    def next_due(self) -> float:
        """Return when something is decided next, unless the contact moves before."""
        return min(self._settles(), self._holds(), self._is_single())

    def close(self, at: float) -> None:
        """Let it close; while it is closed that is a bounce."""
        self._opening = None
        if self._closed:
            return
        self._closed = True
        if self._at_once:
            self._tell("press", at)
        elif self._pressed is not None:
            self._tell("double", at)
        else:
            self._pressed, self._let_go = at, False

    def open(self, at: float) -> None:
        """Let it open, for good or as a bounce."""
        if self._closed and self._opening is None:
            self._opening = at

    def forget(self, at: float) -> None:
        """Let it be open, and forget what was undecided."""
        self._closed, self._opening, self._pressed = False, None, None

    def _settles(self) -> float:
        return inf if self._opening is None else self._opening + BOUNCE_S

    def _holds(self) -> float:
        """Return when it is a hold. While it may be open that waits: it may turn out to have been let go before."""
        if self._pressed is None or self._let_go or self._opening is not None or self._switch.hold is None:
            return inf
        return self._pressed + self._switch.hold_s

    def _is_single(self) -> float:
        """Return when it cannot be a double any more, and may be told as a press."""
        if self._pressed is None or self._switch.double is None or (self._switch.hold is not None and not self._let_go):
            return inf
        return self._pressed + self._switch.double_s

    def _decide(self) -> None:
        due = self.next_due()
        self._latest = max(self._latest, due)
        if due == self._holds():
            self._tell("hold", due)
        elif due == self._settles():
            self._closed, self._opening, self._let_go = False, None, True
            if self._pressed is not None and self._switch.double is None:
                self._tell("press", self._pressed)
        elif self._pressed is not None:
            self._tell("press", self._pressed)

    def _tell(self, how: PressKind, at: float) -> None:
        self._pressed = None
        if getattr(self._switch, how) is not None:
            self._told.append(Use(at, self._switch, how))
