"""The walk itself: what is asked of the performer, in which order, and what is listened to. It opens nothing itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from bridge.lineup.decks import of_first_track, of_playing, of_stopped
from bridge.lineup.findings import Finding
from bridge.lineup.pedals import SILENT_DB, Ask, ask, of_echo
from bridge.measure.levels import level
from bridge.rig import Deck, Pedal, Rig

if TYPE_CHECKING:
    from numpy.typing import NDArray

STOPPED_S, PLAYING_S, TRACK_S, ECHO_S = 5.0, 10.0, 3.0, 8.0
"""How long a stopped deck, a playing one, a track alone and a pedal are listened to, in seconds."""

SETTLED_S = 1.0
"""A pedal that was told a time has so long to get there, before its echo counts, in seconds."""

GAPS_S = 0.01
"""More sound that went missing is told, in seconds."""

CAUTION = (
    "Turn monitors down and take headphones off: what is plugged or switched now may bang.",
    "Hum is met with isolation, never by lifting the protective earth.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What was heard at all inputs.

    Attributes:
        samples: Shape (frames, channels).
        rate: Frames per second.
        lost: Frames that went missing.
    """

    samples: NDArray[np.float32]
    rate: int
    lost: int = 0


class Performer(Protocol):
    """Who walks, and sees and answers.

    Attributes:
        asks: Whether there is somebody to ask.
    """

    asks: bool

    def head(self, text: str) -> None:
        """Say what comes now."""

    def say(self, text: str) -> None:
        """Say a line."""

    def found(self, finding: Finding) -> None:
        """Show a finding."""

    def ready(self, what: str) -> bool:
        """Ask for something to be done; return whether it was, and not left out."""

    def agrees(self, question: str) -> bool | None:
        """Ask a question; return the answer, or None for none."""


class Stage(Protocol):
    """The gear.

    Attributes:
        deaf: Why nothing can be heard; empty if it can.
    """

    deaf: str

    def hear(self, seconds: float, pedal: Pedal | None = None, asked: Ask | None = None) -> Heard:
        """Listen, and meanwhile tell a pedal what it is asked."""

    def mute(self, pedal: Pedal) -> str:
        """Return why a pedal cannot be reached; empty if it can."""


def walk(rig: Rig, performer: Performer, stage: Stage) -> Iterator[Finding]:
    """Yield what is found in a rig, one thing at a time, each shown as it is found.

    Args:
        rig: The rig.
        performer: Who is asked and told.
        stage: What listens and sends.

    Raises:
        DeviceError: The sound device fell silent.
    """
    for line in CAUTION:
        performer.say(line)
    for finding in _Walk(rig, performer, stage).all():
        performer.found(finding)
        yield finding


class _Walk:
    def __init__(self, rig: Rig, performer: Performer, stage: Stage) -> None:
        self._rig = rig
        self._performer = performer
        self._stage = stage

    def all(self) -> Iterator[Finding]:
        if self._stage.deaf:
            self._performer.head("sound")
            yield _broken("sound", "device", self._stage.deaf)
        elif self._performer.asks:
            yield from self._stopped()
            for deck in self._rig.decks:
                yield from self._deck(deck)
        else:
            yield from self._unasked()
        for pedal in self._rig.pedals:
            yield from self._pedal(pedal)

    def _stopped(self) -> Iterator[Finding]:
        self._performer.head("silence")
        if not self._performer.ready("Stop all decks; leave faders and sends open."):
            yield from (_open(deck.name, "hum", "left out") for deck in self._rig.decks)
            return
        heard = self._stage.hear(STOPPED_S)
        for deck in self._rig.decks:
            yield from of_stopped(deck, heard.samples, heard.rate)
        yield from _gaps(heard)

    def _deck(self, deck: Deck) -> Iterator[Finding]:
        self._performer.head(deck.name)
        others = self._others(deck)
        alone = " alone" if others else ""
        if not self._performer.ready(f"Play {deck.name}{alone}, as loud as it gets tonight."):
            yield _open(deck.name, "level", "left out")
            return
        heard = self._stage.hear(PLAYING_S)
        yield from of_playing(deck, others, heard.samples, heard.rate, alone=True)
        yield from _gaps(heard)
        if len(deck.channels) < 2:
            return
        if self._performer.ready(f"Now only the first track of {deck.name}, the others down."):
            heard = self._stage.hear(TRACK_S)
            yield of_first_track(deck, heard.samples, heard.rate)
        else:
            yield _open(deck.name, "channels", "left out")

    def _unasked(self) -> Iterator[Finding]:
        """Listen to whatever plays: a silent deck is taken for a stopped one."""
        heard = self._stage.hear(PLAYING_S)
        for deck in self._rig.decks:
            self._performer.head(deck.name)
            loud = max(level(heard.samples[:, channel - 1], heard.rate).loud_db for channel in deck.inputs)
            if loud < SILENT_DB:
                yield from of_stopped(deck, heard.samples, heard.rate)
                yield _open(deck.name, "level", "it does not play")
                continue
            yield from of_playing(deck, self._others(deck), heard.samples, heard.rate, alone=False)
            yield _open(deck.name, "hum", "it plays")
            if len(deck.channels) > 1:
                yield _open(deck.name, "channels", "nobody was asked to play one track alone")
        yield from _gaps(heard)

    def _pedal(self, pedal: Pedal) -> Iterator[Finding]:
        self._performer.head(pedal.name)
        if why := self._stage.mute(pedal):
            yield _broken(pedal.name, "port", why)
            return
        deck = next(deck for deck in self._rig.decks if deck.name == pedal.listens_to)
        asked = ask(pedal)
        due = f"its echo should come after {asked.delay_ms:.0f} ms"
        if not self._performer.ready(f"Play {deck.name} into {pedal.name}, and listen: {due}."):
            yield _open(pedal.name, "echo", "left out")
            return
        heard = self._stage.hear(ECHO_S, pedal, asked)
        yield _by_ear(pedal, self._performer.agrees("In time? Enter for yes, n for no, ? if you cannot tell"))
        if self._stage.deaf:
            yield _open(pedal.name, "echo", "nothing can be heard without the sound device")
            return
        echo = of_echo(pedal, deck, asked, heard.samples[round(SETTLED_S * heard.rate) :], heard.rate)
        gaps = list(_gaps(heard))
        if gaps and echo.well == "look":  # sound that is pieced together shifts an echo
            echo = replace(echo, well="open", todo=f"Walk through {pedal.name} again, since sound went missing")
        yield echo
        yield from gaps

    def _others(self, deck: Deck) -> list[Deck]:
        return [other for other in self._rig.decks if other != deck]


def _by_ear(pedal: Pedal, agrees: bool | None) -> Finding:
    if agrees is None:
        return _open(pedal.name, "by ear", "nobody could tell")
    if agrees:
        return Finding(where=pedal.name, what="by ear", well="well", said="in time")
    return Finding(
        where=pedal.name,
        what="by ear",
        well="look",
        said="not in time",
        todo="See that it is on and set to its clock or tap input, that the send is open, and that its knob is at the "
        "division that the rig names",
    )


def _gaps(heard: Heard) -> Iterator[Finding]:
    if heard.lost > heard.rate * GAPS_S:
        yield Finding(
            where="sound",
            what="gaps",
            well="look",
            said=f"{1000 * heard.lost / heard.rate:.0f} ms of sound went missing meanwhile",
            todo="Close other programs, or write a larger block under [sound]",
        )


def _broken(where: str, what: str, why: str) -> Finding:
    """Return a finding from a refusal, which says what was found and then what to do."""
    found, _, remedy = why.partition(". ")
    return Finding(where=where, what=what, well="look", said=found.rstrip("."), todo=remedy.rstrip("."))


def _open(where: str, what: str, why: str) -> Finding:
    return Finding(where=where, what=what, well="open", said=f"not checked: {why}")
