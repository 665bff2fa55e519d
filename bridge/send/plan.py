"""What the sender needs to know of a rig: its outputs, and what goes out on each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.rig import Deck, Pedal, Rig, Transport
from bridge.rig_foot import Cue, Lamp, Looper, Wire
from bridge.send.delay_times import TimePlan
from bridge.send.taps import TapPlan
from bridge.units import checked_tempo

OSC = "osc://"
"""Begins the name of an output that is no MIDI port but an OSC receiver: ``osc://host:port``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PortPlan:
    """One output, its one clock, and what else goes out there.

    Attributes:
        name: The port's name as the rig has it, or `OSC` and an address.
        pedals: Names of the pedals that its clock feeds; none where it carries no clock.
        begin_tempo: Tempo of its clock before any order, in bpm; None sends nothing until the first order.
        latency_s: How much earlier than they are to count its ticks go out, in seconds; negative for later.
        needs_beat: Whether a tick is to fall on each beat, for sequencers; a delay would bend for nothing.
        transport: Which messages go out beside its clock.
        taps: The pedals that are tapped there.
        times: The pedals that are told delay times there.
        cued: Whether messages of loopers, cues or lamps go out there.

    Raises:
        ValueError: Nothing to send, a tempo outside 20..400 bpm, a latency outside -0.5..0.5 s, or two pedals on one
            contact.
    """

    name: str
    pedals: tuple[str, ...] = ()
    begin_tempo: float | None = None
    latency_s: float = 0.0
    needs_beat: bool = False
    transport: tuple[Transport, ...] = ()
    taps: tuple[TapPlan, ...] = ()
    times: tuple[TimePlan, ...] = ()
    cued: bool = False

    def __post_init__(self) -> None:
        if not (self.pedals or self.taps or self.times or self.cued):
            raise ValueError(f"port {self.name!r} feeds nothing")
        if self.begin_tempo is not None:
            checked_tempo(self.begin_tempo)
        if not -0.5 <= self.latency_s <= 0.5:  # NaN fails too
            raise ValueError(f"latency_s of port {self.name!r} must be -0.5..0.5, got {self.latency_s!r}")
        contacts = [tap.press for tap in self.taps]
        if len(set(contacts)) < len(contacts):
            raise ValueError(f"two pedals on port {self.name!r} have the same tap contact")

    @classmethod
    def of(cls, name: str, pedals: tuple[Pedal, ...], osc: str, cued: bool = False) -> PortPlan:
        """Return what goes out on one port for the pedals of a rig.

        Args:
            name: The port's name.
            pedals: All pedals of the rig.
            osc: The name of the OSC receiver; empty for none.
            cued: Whether messages of loopers, cues or lamps go out there.
        """
        clocked = [pedal for pedal in pedals if pedal.port == name and "clock" in pedal.sync]
        return cls(
            name=name,
            pedals=tuple(pedal.name for pedal in clocked),
            begin_tempo=next((pedal.begin_tempo for pedal in clocked if pedal.begin_tempo is not None), None),
            latency_s=clocked[0].latency_ms / 1e3 if clocked else 0.0,
            needs_beat=any(pedal.needs == "beat" for pedal in clocked),
            transport=clocked[0].transport if clocked else (),
            taps=tuple(TapPlan.of(pedal) for pedal in pedals if _taps_port(pedal, osc) == name),
            times=tuple(TimePlan.of(pedal) for pedal in pedals if _times_port(pedal, osc) == name),
            cued=cued,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StagePlan:
    """What is played by itself or by foot, for `bridge.send.stage`.

    Attributes:
        decks: The decks: their names, bars and tapes.
        loopers: The loopers.
        cues: The cues.
        lamps: The lamps.
        osc: The port's name for what goes by OSC; empty for none.
        begun: Names of decks of which a pedal has a tempo before any beat, its ``begin_tempo``.
    """

    decks: tuple[Deck, ...] = ()
    loopers: tuple[Looper, ...] = ()
    cues: tuple[Cue, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    osc: str = ""
    begun: tuple[str, ...] = ()

    def port_of(self, port: str, wires: tuple[Wire, ...]) -> str:
        """Return the name of the output that a group of messages goes to."""
        return self.osc if any(wire.kind == "osc" for wire in wires) else port

    @property
    def ports(self) -> tuple[str, ...]:
        """Names of the outputs that it needs, each once."""
        loopers = [self.port_of(looper.port, looper.record.messages) for looper in self.loopers]
        cues = [self.port_of(cue.port, cue.messages) for cue in self.cues if cue.messages]
        return tuple(dict.fromkeys([*loopers, *cues, *(lamp.port for lamp in self.lamps)]))


@dataclass(frozen=True, slots=True, kw_only=True)
class SendPlan:
    """What the sender needs to know of a rig.

    Attributes:
        ports: The outputs, in the order of the rig's pedals.
        api: "alsa", "jack", "coremidi" or "windows"; None for the system's own.
        virtual: Names of the output ports that the bridge makes itself.
        stage: What is played by itself or by foot.

    Raises:
        ValueError: Two ports of one name, or one pedal on two clocks.
    """

    ports: tuple[PortPlan, ...]
    api: str | None = None
    virtual: tuple[str, ...] = ()
    stage: StagePlan = StagePlan()

    def __post_init__(self) -> None:
        names = [port.name for port in self.ports]
        pedals = [pedal for port in self.ports for pedal in port.pedals]
        for name in (*names, *pedals):
            if names.count(name) > 1 or pedals.count(name) > 1:
                raise ValueError(f"{name!r} stands twice in the plan")

    @classmethod
    def of(cls, rig: Rig) -> SendPlan:
        """Return the plan of a rig; pedals that name the same port share its clock.

        A port begins at the first ``begin_tempo`` that one of its clocked pedals has. Taps and times by OSC go to the
        rig's receiver, which is an output like the others.
        """
        osc = f"{OSC}{rig.osc.host}:{rig.osc.port}" if rig.osc is not None else ""
        begun = tuple(dict.fromkeys(pedal.listens_to for pedal in rig.pedals if pedal.begin_tempo is not None))
        stage = StagePlan(decks=rig.decks, loopers=rig.loopers, cues=rig.cues, lamps=rig.lamps, osc=osc, begun=begun)
        fed = [name for pedal in rig.pedals for name in _outputs(pedal, osc)]
        names = dict.fromkeys([*fed, *stage.ports])
        ports = tuple(PortPlan.of(name, rig.pedals, osc, name in stage.ports) for name in names)
        return cls(ports=ports, api=rig.midi.api, virtual=rig.midi.virtual, stage=stage)

    @property
    def decks(self) -> tuple[str, ...]:
        """Names of the decks."""
        return tuple(deck.name for deck in self.stage.decks)

    @property
    def names(self) -> dict[str, tuple[str, ...]]:
        """The names that an action can have, as `bridge.actions.action_of` wants them."""
        loopers = tuple(looper.name for looper in self.stage.loopers)
        cues = tuple(cue.name for cue in self.stage.cues)
        return {"deck": self.decks, "pedal": self.known, "looper": loopers, "cue": cues}

    @property
    def known(self) -> tuple[str, ...]:
        """Names of all pedals, each once."""
        told = [(*port.pedals, *(t.pedal for t in port.taps), *(t.pedal for t in port.times)) for port in self.ports]
        return tuple(dict.fromkeys(pedal for pedals in told for pedal in pedals))


def _taps_port(pedal: Pedal, osc: str) -> str | None:
    if pedal.taps is None:
        return None
    return osc if pedal.taps.message == "osc" else pedal.port


def _times_port(pedal: Pedal, osc: str) -> str | None:
    if pedal.times is None:
        return None
    return osc if pedal.times.message == "osc" else pedal.port


def _outputs(pedal: Pedal, osc: str) -> Iterator[str]:
    if "clock" in pedal.sync:
        yield pedal.port
    for port in (_taps_port(pedal, osc), _times_port(pedal, osc)):
        if port:
            yield port
