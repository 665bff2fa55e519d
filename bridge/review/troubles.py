"""What went wrong in a take, in plain words, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.events import (
    Fact,
    FactsLost,
    ListenerLost,
    ListenerStarted,
    PortLost,
    PortOpened,
    SoundLost,
    SoundNotKept,
    TakeEnded,
    TicksDropped,
)
from bridge.events_foot import ActionRefused, LooperChanged, OscCounted
from bridge.events_host import DryTapTurned, HostSuspended, NetLost, SenderReady
from bridge.events_sent import TapsDropped
from bridge.journal.recover import LineFault
from bridge.review.kept import Segment
from bridge.units import clock_text

SENDER_LOST = "the sender was lost: "
"""How the reason of a take begins whose listener found its sender gone."""

NOTHING = "The journal holds nothing of the set: there is no fact in it that can be read."
"""What is wrong with a take that has a journal, and no more than that."""

FAULTS_SHOWN = 12
"""Unreadable lines that are told one by one; more are counted."""

SHORT_S = 10.0
"""Kept sound that ends this much before the take is told; a torn file is told anyway."""

_LISTENER = "Nothing to do if it stays rare; if it comes back, report it with this take's journal."
_PORT = "Check the cable and its plug at both ends, and keep the interface off hubs that share power."
_TICKS = "Close other programs, and let the system grant real-time priority to the bridge."
_SOUND = "Raise sound.block in the rig, and check the cable of the sound device."
_INPUT = "Check that the sound device is plugged in and switched on, and its name: tapebridge ports"
_NOT_KEPT = "Make room on that disk before the next set, or name another one under take.folder in the rig."
_FACTS = "Make room on the disk, or take a faster one; what is missing cannot be made again."
_FAULT = "Nothing to do: all other lines count. The journal itself was left as it is."
_EMPTY = "Put its copy back if you have one. Sound that was kept is in the files beside it, and can still be played."
_FILE = "Nothing else is lost: the journal is whole without it. If you have a copy of the file, put it back."
_TORN = "Nothing to do: the set still runs, or was cut while it was written; what can be read is used."
_LOOPER = 'Bring it to where you want it by its own switch, and say so: tapebridge do "looper is: NAME, stopped"'
_OSC = "Compare what the other program sends with: tapebridge osc"
_SHORT = "If sound files were moved or thinned out, nothing; otherwise see whether the disk was full."
_SENDER = "Start the set again: tapebridge run. The system's log may say what ended it, such as too little memory."
_PRIORITY = "Grant it once: tapebridge check RIG names the line."
_ASLEEP = "Keep it awake: leave its lid open and its mains plugged in, and see what tapebridge check RIG says."
_NET = "Install the bridge again before the next set; until then fewer beats are found, and later."
_TAP = "See whether its plug is out, or its cue is off; the beat is found better on a dry tap."
_OPEN = "If the set has ended since, it was cut: the power, the battery, or the process was gone."


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One thing that went wrong.

    Attributes:
        seconds: When, since the take began; None for the journal as a whole.
        what: What happened, and what it meant for the set.
        remedy: What to do about it.
        brief: What happened, for where there is no room to quote; empty where ``what`` is brief enough.
    """

    seconds: float | None
    what: str
    remedy: str
    brief: str = ""


def troubles(facts: Sequence[Fact], faults: Sequence[LineFault], began: float) -> tuple[Trouble, ...]:
    """Return everything that went wrong, in order of time; what concerns the journal as a whole comes last.

    Args:
        facts: Facts of a take, in any order.
        faults: Lines of its journal that cannot be read.
        began: Host time at which the take began.
    """
    ordered = sorted(facts, key=lambda fact: fact.at)
    found = [*_listener(ordered, began), *_ports(ordered, began), *_stalls(ordered, began), *_sound(ordered, began)]
    found += [*_sender(ordered, began), *_host(ordered, began), *_asked(ordered, began)]
    found.sort(key=lambda trouble: trouble.seconds or 0.0)
    return (*found, *_journal(ordered, faults))


def sound_troubles(
    segments: Sequence[Segment], unreadable: Sequence[tuple[str, str]], length_s: float
) -> tuple[Trouble, ...]:
    """Return what is wrong with the kept sound: files that cannot be read, that are torn, or that end too early.

    Args:
        segments: What can be read of it.
        unreadable: Names of files that cannot be read, each with what was found.
        length_s: Length of the take in seconds.
    """
    found = [
        Trouble(seconds=None, what=f"The sound file {name} cannot be read: {why}.", remedy=_FILE)
        for name, why in unreadable
    ]
    for torn in (segment for segment in segments if segment.torn):
        what = f"The sound file {torn.path.name} has no end yet, or was cut; {torn.length_s:.0f} s of it can be read."
        found.append(Trouble(seconds=torn.begin_s, what=what, remedy=_TORN))
    end_s = max((segment.end_s for segment in segments), default=length_s)
    if length_s - end_s > SHORT_S:
        what = f"The kept sound ends {clock_text(length_s - end_s)} before the take does."
        found.append(Trouble(seconds=end_s, what=what, remedy=_SHORT))
    return tuple(found)


def _listener(facts: Sequence[Fact], began: float) -> list[Trouble]:
    found: list[Trouble] = []
    lost: list[ListenerLost] = []
    for fact in facts:
        if isinstance(fact, ListenerLost):
            lost.append(fact)
        elif isinstance(fact, ListenerStarted) and fact.start > 1:
            gone = lost.pop() if lost else None
            what = f"The listener was lost ({gone.why})" if gone else "The listener had to be started again"
            what += f" and was back {fact.at - gone.at:.1f} s later" if gone else ""
            at = (gone or fact).at - began
            found.append(Trouble(seconds=at, what=f"{what}; the clocks went on at their last tempo.", remedy=_LISTENER))
    for gone in lost:
        what = f"The listener was lost ({gone.why}) and did not come back; the clocks went on at their last tempo."
        found.append(Trouble(seconds=gone.at - began, what=what, remedy=_LISTENER))
    return found


def _sender(facts: Sequence[Fact], began: float) -> list[Trouble]:
    what = "The program that sends the clock was ended from outside, or failed; the pedals got no clock from then on."
    return [
        Trouble(seconds=fact.at - began, what=what, remedy=_SENDER)
        for fact in facts
        if isinstance(fact, TakeEnded) and fact.why.startswith(SENDER_LOST)
    ]


def _ports(facts: Sequence[Fact], began: float) -> list[Trouble]:
    """Tell each loss of a port once, however often its opening failed again."""
    found: list[Trouble] = []
    lost: dict[str, PortLost] = {}
    for fact in facts:
        if isinstance(fact, PortLost):
            lost.setdefault(fact.port, fact)
        elif isinstance(fact, PortOpened) and fact.port in lost:
            gone = lost.pop(fact.port)
            what = f"The MIDI port {gone.port} was gone for {fact.at - gone.at:.1f} s ({gone.why})."
            found.append(Trouble(seconds=gone.at - began, what=what, remedy=_PORT))
    for gone in lost.values():
        what = f"The MIDI port {gone.port} was gone and did not come back ({gone.why})."
        found.append(Trouble(seconds=gone.at - began, what=what, remedy=_PORT))
    return found


def _stalls(facts: Sequence[Fact], began: float) -> list[Trouble]:
    stalls: dict[str, list[TicksDropped]] = {}
    for fact in facts:
        if isinstance(fact, TicksDropped):
            stalls.setdefault(fact.port, []).append(fact)
    found: list[Trouble] = []
    for port, each in stalls.items():
        ticks = sum(fact.count for fact in each)
        were = "was" if ticks == 1 else "were"
        what = f"{_count(ticks, 'late clock tick')} {were} left out on {port}{_spread(each, began, 'in {} stalls')}."
        found.append(Trouble(seconds=each[0].at - began, what=what, remedy=_TICKS))
    taps: dict[str, list[TapsDropped]] = {}
    for fact in facts:
        if isinstance(fact, TapsDropped):
            taps.setdefault(fact.pedal, []).append(fact)
    for pedal, dropped in taps.items():
        what = f"{_count(sum(fact.count for fact in dropped), 'late tap')} for {pedal} were left out"
        what += f"{_spread(dropped, began)}; until the next burst it kept the tempo that it had."
        found.append(Trouble(seconds=dropped[0].at - began, what=what, remedy=_TICKS))
    return found


def _host(facts: Sequence[Fact], began: float) -> list[Trouble]:
    """What the machine did or refused; that it may sleep is a trouble only where it did."""
    found: list[Trouble] = []
    for fact in facts:
        if isinstance(fact, SenderReady) and fact.priority == "normal":
            what = "The clocks ran without any priority over other programs."
            found.append(Trouble(seconds=fact.at - began, what=what, remedy=_PRIORITY))
        elif isinstance(fact, HostSuspended):
            what = f"The machine slept for {clock_text(fact.slept_s)}; the clocks stood still with it, then went on."
            found.append(Trouble(seconds=fact.at - began, what=what, remedy=_ASLEEP))
        elif isinstance(fact, DryTapTurned) and not fact.is_heard:
            what = f"The dry tap of {fact.deck} was silent while its channels were not; they were heard instead."
            found.append(Trouble(seconds=fact.at - began, what=what, remedy=_TAP))
        elif isinstance(fact, NetLost):
            brief = "The learned net could not be read; beats were found by onsets alone."
            found.append(Trouble(seconds=fact.at - began, what=f"{fact.why}.", remedy=_NET, brief=brief))
    return found


def _asked(facts: Sequence[Fact], began: float) -> list[Trouble]:
    """What a foot, a cue or another program asked for and did not get, and loopers that nobody knew about any more."""
    found: list[Trouble] = []
    refused: dict[tuple[str, str], list[ActionRefused]] = {}
    for fact in facts:
        if isinstance(fact, ActionRefused):
            refused.setdefault((fact.action, fact.why), []).append(fact)
        elif isinstance(fact, LooperChanged) and fact.now == "unknown":
            what = f"From then on the bridge did not know what {fact.looper} does ({fact.why})."
            found.append(Trouble(seconds=fact.at - began, what=what, remedy=_LOOPER))
    for (action, why), each in refused.items():
        what = f"“{action}” was asked for and not done{_spread(each, began)}."
        found.append(Trouble(seconds=each[0].at - began, what=what, remedy=f"{why[:1].upper()}{why[1:].rstrip('.')}."))
    return found + _osc(facts, began)


def _osc(facts: Sequence[Fact], began: float) -> list[Trouble]:
    """Tell of OSC once: each fact counts from when its part of the bridge began, so the fullest tells of most."""
    counted = [fact for fact in facts if isinstance(fact, OscCounted)]
    most = max(counted, key=lambda fact: fact.refused + fact.malformed + fact.lost, default=None)
    if most is None or not most.refused + most.malformed + most.lost:
        return []
    what = f"Of {_count(most.received, 'OSC message')}, {most.refused:,} were refused and {most.malformed:,} malformed"
    what += f" (the newest: {most.why})" if most.why else ""
    what += f"; {most.lost:,} more came too thick and fast to be read." if most.lost else "."
    return [Trouble(seconds=counted[0].at - began, what=what, remedy=_OSC)]


def _sound(facts: Sequence[Fact], began: float) -> list[Trouble]:
    found: list[Trouble] = []
    for why, each in _by_reason(facts).items():
        frames = sum(fact.frames for fact in each)
        what = f"{_count(frames, 'frame')} of sound went missing on the way in" if frames else "No sound came in"
        what += f"{_spread(each, began)} ({why})."
        found.append(Trouble(seconds=each[0].at - began, what=what, remedy=_SOUND if frames else _INPUT))
    for fact in facts:
        if isinstance(fact, SoundNotKept):
            what = f"The sound was no longer kept ({fact.why}); the journal and the clocks went on."
            found.append(Trouble(seconds=fact.at - began, what=what, remedy=_NOT_KEPT))
        elif isinstance(fact, FactsLost):
            what = f"{_count(fact.count, 'fact')} could not be written down."
            found.append(Trouble(seconds=fact.at - began, what=what, remedy=_FACTS))
    return found


def _by_reason(facts: Sequence[Fact]) -> dict[str, list[SoundLost]]:
    lost: dict[str, list[SoundLost]] = {}
    for fact in facts:
        if isinstance(fact, SoundLost):
            lost.setdefault(fact.why, []).append(fact)
    return lost


def _journal(facts: Sequence[Fact], faults: Sequence[LineFault]) -> list[Trouble]:
    found: list[Trouble] = []
    remedy = _FAULT if facts else _EMPTY
    if not facts:
        found.append(Trouble(seconds=None, what=NOTHING, remedy=remedy))
    for fault in faults[:FAULTS_SHOWN]:
        brief = "A line of the journal could not be read."
        found.append(Trouble(seconds=None, what=f"The journal, {fault}", remedy=remedy, brief=brief))
    if len(faults) > FAULTS_SHOWN:
        more = _count(len(faults) - FAULTS_SHOWN, "more line")
        found.append(Trouble(seconds=None, what=f"{more} of the journal could not be read.", remedy=remedy))
    if not any(isinstance(fact, TakeEnded) for fact in facts):
        found.append(Trouble(seconds=None, what="The journal does not say that the take ended.", remedy=_OPEN))
    return found


def _spread(facts: Sequence[Fact], began: float, often: str = "{} times") -> str:
    if len(facts) == 1:
        return ""
    return f", {often.format(len(facts))}, the last at {clock_text(max(0.0, facts[-1].at - began))}"


def _count(number: int, thing: str) -> str:
    return f"{number:,} {thing}{'' if number == 1 else 's'}"
