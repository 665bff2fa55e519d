"""The foot: a process of its own that hears switches, keys and OSC, and tells the sender what they ask for.

A flood of OSC or a driver that blocks stays in here. The sender starts it again when it is lost.
"""

from __future__ import annotations

import signal
import sys
from contextlib import ExitStack
from math import inf

from bridge.edge.foot_midi import FootMidi, HasFileno
from bridge.edge.host_clock import now, wall
from bridge.edge.keys import Keys
from bridge.edge.link import EndAsked, Link
from bridge.edge.osc_in import Came, OscIn
from bridge.errors import DeviceError
from bridge.events import Fact, PortLost, PortOpened
from bridge.events_foot import ActionRefused, OscCounted, SwitchUsed
from bridge.foot.osc_asked import OscAsked
from bridge.foot.presses import Presses, Use
from bridge.foot.switches import Switches, Way
from bridge.rig import Rig
from bridge.rig_foot import OscInput, Switch

LOOK_S = 0.25
"""The longest wait between two looks at the link, in seconds."""

RETRY_S = 1.0
"""How often a UDP port that is taken, or a terminal that another program has, is tried, in seconds."""

COUNTED_EVERY_S = 60.0
"""Time between two counts of OSC that was not done, in seconds."""


def foot(link: Link, start: int, rig: Rig) -> None:
    """Tell what is asked for until the sender asks for the end, or is gone.

    Args:
        link: The link to the sender; closed at the end.
        start: 1 for the first foot of the set, 2 for the next, and so on.
        rig: What is plugged in.
    """
    if sys.platform != "win32":
        signal.signal(signal.SIGTTIN, signal.SIG_IGN)  # else a look at the keys from the background would stop it
    with ExitStack() as stack:
        stack.callback(link.close)
        switches = Switches(rig.switches)
        midi = FootMidi(switches.ports, rig.midi.api, now)
        stack.callback(midi.close)
        keys = stack.enter_context(Keys(now)) if switches.has_keys else None
        running = _Foot(link, rig, switches, midi, keys)
        try:
            running.run()
        finally:
            running.end()


class _Foot:
    def __init__(
        self,
        link: Link,
        rig: Rig,
        switches: Switches,
        midi: FootMidi,
        keys: Keys | None,
    ) -> None:
        self._link = link
        self._switches = switches
        self._presses = Presses(rig.switches)
        self._midi = midi
        self._keys = keys
        self._next_keys = -inf
        self._dropped = 0
        self._osc = _OscPort(rig, switches)

    def run(self) -> None:
        """Wait, and tell, until the end."""
        while True:
            for message in self._link.receive():
                if isinstance(message, EndAsked):
                    return
            if self._link.closed:
                return
            self._link.keep_alive(now())
            for fact in (*self._midi.tend(), *self._osc.tend(now())):
                self._tell(fact)
            self._tell_dropped()
            if self._keys is not None and now() >= self._next_keys:
                self._next_keys = now() + RETRY_S
                self._keys.tend()
            self._wait()
            self._look()

    def end(self) -> None:
        """Tell what OSC came to, and close it."""
        for fact in self._osc.end(now()):
            self._tell(fact)
        self._link.vouch()
        self._link.flush()

    def _wait(self) -> None:
        readable: list[HasFileno] = [self._link]
        if self._osc.socket is not None:
            readable.append(self._osc.socket)
        due = min(self._presses.next_due(), self._osc.next_due(), self._midi.next_due())
        if self._keys is not None:
            due = min(due, self._keys.next_due())
            if self._keys.fileno() >= 0:
                readable.append(self._keys)
        writable: list[HasFileno] = [self._link] if self._link.waiting else []
        self._midi.wait(readable, writable, max(0.0, min(LOOK_S, due - now())))

    def _look(self) -> None:
        for message in self._midi.take():
            for switch, way in self._switches.of_midi(message.port, message.data):
                self._move(switch, way, message.at)
        for key, at in self._keys.take() if self._keys is not None else ():
            for switch, way in self._switches.of_key(key):
                self._move(switch, way, at)
        for came in self._osc.take(now()):
            self._ask(came)
        self._use(self._presses.due(now()))

    def _ask(self, came: Came) -> None:
        if isinstance(came.asked, tuple):
            self._move(*came.asked, came.at)
        else:
            self._link.send(SwitchUsed(at=came.at, switch="osc", how="press", action=str(came.asked)))

    def _move(self, switch: Switch, way: Way, at: float) -> None:
        moved = {"down": self._presses.down, "up": self._presses.up, "touch": self._presses.touch}[way]
        self._use(moved(switch.name, at))

    def _use(self, uses: list[Use]) -> None:
        for use in uses:
            action = getattr(use.switch, use.how)
            self._link.send(SwitchUsed(at=use.at, switch=use.switch.name, how=use.how, action=str(action)))

    def _tell(self, fact: Fact) -> None:
        if isinstance(fact, PortLost):
            self._forget(fact.port, fact.at)
        self._link.send(fact)

    def _tell_dropped(self) -> None:
        """Tell of MIDI that found the queue full. A switch may have been let go in it: all count as let go."""
        count, self._dropped = self._midi.dropped - self._dropped, self._midi.dropped
        if count:
            at = now()
            for port in self._switches.ports:
                self._forget(port, at)
            why = (
                f"{count} MIDI messages came faster than they could be read, and were left out: send less to the inputs"
            )
            self._link.send(ActionRefused(at=at, action="MIDI in", why=f"{why} of the switches"))

    def _forget(self, port: str, at: float) -> None:
        for switch in self._switches.lost(port):
            self._use(self._presses.lost(switch.name, at))


class _OscPort:
    """The OSC socket of a rig, if it has one and as soon as its port is free; and when its counts are told."""

    def __init__(self, rig: Rig, switches: Switches) -> None:
        names = {
            "deck": [deck.name for deck in rig.decks],
            "pedal": [pedal.name for pedal in rig.pedals],
            "looper": [looper.name for looper in rig.loopers],
            "cue": [cue.name for cue in rig.cues],
        }
        self._where: OscInput | None = rig.osc_in
        self._asked = OscAsked(names, switches, () if rig.osc_in is None else rig.osc_in.allow)
        self._next_try = -inf
        self._was_told = False
        self._next_count = -inf
        self._counted: tuple[int, int, int] = (0, 0, 0)
        self.socket: OscIn | None = None

    def next_due(self) -> float:
        """Return when `take` or `tend` has something to do, in host seconds."""
        if self._where is None:
            return inf
        return self._next_try if self.socket is None else self.socket.next_due()

    def tend(self, at: float) -> list[Fact]:
        """Open the socket if it is time, and tell once whether that went well; tell the counts if it is time."""
        if self.socket is not None:
            return list(self._counts(at)) if at >= self._next_count else []
        if self._where is None or at < self._next_try:
            return []
        name = f"OSC in {self._where.host}:{self._where.port}"
        try:
            self.socket = OscIn(self._where, self._asked, wall)
        except DeviceError as error:
            self._next_try = at + RETRY_S
            was_told, self._was_told = self._was_told, True
            return [] if was_told else [PortLost(at=at, port=name, why=str(error))]
        return [PortOpened(at=at, port=name, found=f"UDP port {self.socket.port()}")]

    def take(self, at: float) -> list[Came]:
        """Return what is asked for."""
        return [] if self.socket is None else self.socket.take(at)

    def end(self, at: float) -> list[Fact]:
        """Close the socket, and return the last counts."""
        if self.socket is None:
            return []
        self.socket.close()
        return list(self._counts(at))

    def _counts(self, at: float) -> list[OscCounted]:
        assert self.socket is not None
        found = self.socket.counted(at)
        not_done = (found.refused, found.malformed, found.lost)
        if not_done == self._counted:
            return []
        self._counted, self._next_count = not_done, at + COUNTED_EVERY_S
        return [found]
