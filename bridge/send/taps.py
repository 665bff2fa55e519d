"""A tempo tapped into a pedal: short bursts on the beat, and contacts that never stay closed."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, inf, isfinite

from bridge import rig
from bridge.events import Fact
from bridge.events_sent import TapsDropped, TapsSent
from bridge.rig import Pedal
from bridge.send.messages import control_change, note_off, note_on, osc_message, program_change
from bridge.units import TEMPO_MAX, TEMPO_MIN, period_s

CONTACT_MAX_S = 0.2
"""A tap closes a contact no longer than this, since many pedals take a longer press for another order."""

RELEASE_BY_S, UNDO_BY_S = 0.19, 0.195
"""So that it is no longer although a release may be late, too: when that is due at the latest, in seconds after the
press, and when a port's own process opens the contact should none have come."""

LATEST_TAP_S = 0.003
"""A tap that is later than this is left out, and with it the rest of its burst."""

OPEN_S = 0.02
"""Between two taps the contact is open at least so long."""

BEATLESS_S = 2.0
"""Where nobody knows the beat, a burst waits so long for somebody to, in seconds; then its taps fall when they may."""

STEP = 0.04
"""A tempo that differs by more than this share from that of a burst is another tempo, and no drift."""

SHIFTED = 0.1
"""A beat that moves by more than this part of a beat between two taps makes the pedal read another tempo."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TapPlan:
    """How one pedal is tapped.

    Attributes:
        pedal: Its name.
        press: The bytes that close its contact.
        release: The bytes that open it, whatever its state; None where a press is over by itself.
        count: Taps in a burst, 2..16.
        contact_s: How long a tap closes the contact in seconds, 0.005..0.2; never more than half the time to the next.
        drift: A burst is worth it when the tempo is off by more than this share since the last one, 0.001..0.2.
        every_s: Least time from the last tap of a burst to the first of the next in seconds, 1..3600.
        latency_s: How much earlier than the beat a tap is sent, in seconds; -0.5..0.5.

    Raises:
        ValueError: A field is outside its range.
    """

    pedal: str
    press: bytes
    release: bytes | None
    count: int = 4
    contact_s: float = 0.05
    drift: float = 0.01
    every_s: float = 8.0
    latency_s: float = 0.0

    def __post_init__(self) -> None:
        for name, low, high in (
            ("count", 2, 16),
            ("contact_s", 0.005, CONTACT_MAX_S),
            ("drift", 0.001, 0.2),
            ("every_s", 1.0, 3600.0),
            ("latency_s", -0.5, 0.5),
        ):
            value = getattr(self, name)
            if not low <= value <= high:  # NaN fails too
                raise ValueError(f"{name} of {self.pedal!r} must be {low:g}..{high:g}, got {value!r}")

    @classmethod
    def of(cls, pedal: Pedal) -> TapPlan:
        """Return how a pedal of a rig is tapped.

        Raises:
            ValueError: It is not tapped, or its message has no number or address.
        """
        taps = pedal.taps
        if taps is None:
            raise ValueError(f"{pedal.name!r} has no table for taps")
        press, release = _contact(taps, pedal.channel)
        return cls(
            pedal=pedal.name,
            press=press,
            release=release,
            count=taps.count,
            contact_s=taps.contact_ms / 1e3,
            drift=taps.drift_percent / 100,
            every_s=taps.every_s,
            latency_s=pedal.latency_ms / 1e3,
        )


def _contact(taps: rig.Taps, channel: int) -> tuple[bytes, bytes | None]:
    """Return what closes the contact, and what opens it."""
    if taps.message == "osc":
        return osc_message(taps.address or "", taps.on), osc_message(taps.address or "", taps.off)
    if taps.number is None:
        raise ValueError(f"a tap by {taps.message} needs a number")
    match taps.message:
        case "note":
            return note_on(channel, taps.number, taps.on), note_off(channel, taps.number)
        case "cc":
            return control_change(channel, taps.number, taps.on), control_change(channel, taps.number, taps.off)
        case "program":
            return program_change(channel, taps.number), None


class Taps:
    """The tap contact of one pedal: what is due on it, whatever the tempo does and however late one asks.

    A burst is begun when the tempo has moved by more than `TapPlan.drift` since the last one, and its taps lie on the
    newest beats known, each aimed afresh. A tempo that steps or a beat that jumps within a burst begins its count
    again, up to twice `TapPlan.count` taps in all. After a stall, what is left of a burst is left out and told; only
    the release goes out however late it is. Two presses never follow each other without a release between, and a burst
    never begins within `TapPlan.every_s` of another. Host times must not run backwards.
    """

    def __init__(self, plan: TapPlan) -> None:
        self.plan = plan
        self._tempo: float | None = None
        self._beat_at: float | None = None
        self._beatless_at: float | None = None  # since when a tempo is known without a beat
        self._tapped: float | None = None  # the tempo that the pedal has from a burst
        self._first_at = -inf  # earliest beat of the next burst
        self._sent = 0  # taps of this burst that went out
        self._counted: list[float] = []  # their beats, since the count began
        self._last = -inf  # the newest of them
        self._next: float | None = None  # the next tap's beat
        self._release_at: float | None = None  # the contact is closed until then
        self._opened_at = -inf  # when it was last opened
        self._away = False
        self._facts: list[Fact] = []

    def tell(self, tempo: float, now: float, beat_at: float | None = None) -> None:
        """Take in the newest tempo of the pedal.

        Args:
            tempo: Taps a minute, 20..400.
            now: Host time in seconds.
            beat_at: Host time of any beat of the pedal; None where nobody knows.

        Raises:
            ValueError: ``tempo`` is outside its range, or ``beat_at`` is not finite.
        """
        period = period_s(tempo)
        if beat_at is not None and not isfinite(beat_at):
            raise ValueError(f"beat_at must be a finite time in seconds, got {beat_at!r}")
        self._leave_out_late(now)
        self._tempo, self._beat_at = tempo, beat_at
        self._beatless_at = None if beat_at is not None else now if self._beatless_at is None else self._beatless_at
        self._aim(now)
        if self._sent and self._next is not None:
            shifted = abs(self._next - self._last - period) > SHIFTED * period
            if shifted or self._off() > max(STEP, self.plan.drift):
                self._counted, self._tapped = [], tempo

    def lose_beat(self, now: float) -> None:
        """Take in that nobody knows any more where the beat falls, since the machine slept: a burst is given up."""
        self._beat_at, self._beatless_at = None, now
        if self._sent:
            self._give_up(now, self._sent)
        else:
            self._aim(now)

    def forget(self, now: float) -> None:
        """Take the pedal for one that was just switched on: open its contact, and tap its tempo as soon as allowed."""
        self._release_at, self._away = now, False
        self._abandon()
        self._tapped = None
        self._aim(now)

    def quiet(self, now: float) -> None:
        """Open the contact, and give up what is left of a burst, until the next tempo."""
        self._release_at = now
        if self._sent:
            self._tapped = None  # the pedal has some tempo, but not this one for certain
        self._abandon()

    def end(self, now: float) -> None:
        """Open the contact, and tap no more: until `forget`, if the pedal is only away."""
        self._release_at, self._away = now, True
        self._abandon()

    def missed(self, now: float) -> list[Fact]:
        """Take in that a tap which was given out was left out by its port, for it came too late; say what follows."""
        if not self._sent:  # it was the last of its burst: the pedal has the tempo of those before
            return [TapsDropped(at=now, pedal=self.plan.pedal, sent=self.plan.count - 1, count=1)]
        self._give_up(now, self._sent - 1)
        facts, self._facts = self._facts, []
        return facts

    def next_due(self) -> float:
        """Return the host time in seconds at which something is due, perhaps in the past; inf if nothing is."""
        press = inf if self._next is None else self._next - self.plan.latency_s
        return press if self._release_at is None else min(press, self._release_at)

    def due(self, now: float) -> tuple[list[tuple[float, bytes]], list[Fact]]:
        """Take what is to be sent at host time ``now``.

        Returns:
            Messages in order, each with the host time at which it was due; and what is to be told of bursts.
        """
        messages: list[tuple[float, bytes]] = []
        if self._release_at is not None and self._release_at <= now:
            if self.plan.release is not None:
                messages.append((self._release_at, self.plan.release))
            self._release_at, self._opened_at = None, now
        self._leave_out_late(now)
        if self._next is not None and (due_at := self._next - self.plan.latency_s) <= now:
            messages.append((due_at, self.plan.press))
            self._tap(now)
        facts, self._facts = self._facts, []
        return messages, facts

    def _tap(self, now: float) -> None:
        assert self._next is not None
        assert self._tempo is not None
        if not self._counted:
            self._tapped = self._tempo
        self._last = self._next
        self._counted.append(self._last)
        self._sent += 1
        if self.plan.release is not None:
            self._release_at = now + min(self.plan.contact_s, RELEASE_BY_S, period_s(self._tempo) / 2)
        if len(self._counted) == self.plan.count or self._sent == 2 * self.plan.count:
            if len(self._counted) > 1:
                tempo = 60.0 * (len(self._counted) - 1) / (self._last - self._counted[0])
                self._tapped = min(TEMPO_MAX, max(TEMPO_MIN, tempo))
            assert self._tapped is not None
            tapped = TapsSent(at=self._last, pedal=self.plan.pedal, tempo=self._tapped, count=self._sent)
            self._facts.append(tapped)
            self._abandon()
        self._aim(now)

    def _leave_out_late(self, now: float) -> None:
        """Give up the burst if its next tap is late, or too near to a late release; one not begun may begin at once."""
        if self._next is None:
            return
        due_at = self._next - self.plan.latency_s
        if now - due_at <= LATEST_TAP_S and due_at >= self._opened_at + OPEN_S / 2:
            return
        self._give_up(now, self._sent)

    def _give_up(self, now: float, arrived: int) -> None:
        if self._sent:
            left = max(1, self.plan.count - arrived)
            self._facts.append(TapsDropped(at=now, pedal=self.plan.pedal, sent=arrived, count=left))
            self._tapped = None  # the pedal has some tempo, but not this one for certain
        self._abandon()
        self._aim(now)

    def _abandon(self) -> None:
        if self._sent:
            self._first_at = self._last + self.plan.every_s
        self._sent, self._counted, self._next = 0, [], None

    def _off(self) -> float:
        """Return by what share the tempo is off from what was tapped; infinite where nothing was."""
        return inf if self._tempo is None or self._tapped is None else abs(self._tempo / self._tapped - 1.0)

    def _aim(self, now: float) -> None:
        """Set the next tap on the first beat that it may have; one that fell due a moment ago stays."""
        self._next = None
        if self._away or self._tempo is None or not (self._sent or self._off() > self.plan.drift):
            return
        period = period_s(self._tempo)
        known = self._beat_at is not None
        earliest = now + self.plan.latency_s - (LATEST_TAP_S / 2 if known or self._sent else 0.0)
        if self._sent:  # nearer to the beat that follows than to the one that was tapped
            earliest = max(earliest, self._last + (period / 2 if known else period))
        else:
            waits_until = -inf if self._beatless_at is None else self._beatless_at + BEATLESS_S
            earliest = max(earliest, self._first_at, waits_until)
        opened_at = self._opened_at if self._release_at is None else self._release_at
        earliest = max(earliest, opened_at + OPEN_S + self.plan.latency_s)
        if self._beat_at is not None:
            earliest = self._beat_at + ceil((earliest - self._beat_at) / period) * period
        self._next = earliest
