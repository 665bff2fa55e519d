"""Facts as lines that a performer reads in passing."""

from __future__ import annotations

from bridge.events import (
    DeckChanged,
    Fact,
    FollowerChanged,
    ListenerLost,
    MarkPlaced,
    PortLost,
    PortOpened,
    SoundLost,
    SoundNotKept,
    TicksDropped,
)
from bridge.events_foot import ActionRefused, AllQuieted, BarCounted, CueFired, LooperChanged, OscCounted
from bridge.events_hand import (
    BeatRecounted,
    BeatShifted,
    HandsOff,
    HandsOn,
    PedalTurned,
    RatioFolded,
    TapeChosen,
    TempoKept,
    TempoLetGo,
    TempoNudged,
)
from bridge.events_host import DryTapTurned, FootLost, HostSuspended, NetLost, SenderReady, SleepPossible
from bridge.events_sent import DelayTimeTold, TapsDropped, TapsSent
from bridge.units import clock_text, counted


def news(fact: Fact) -> str | None:
    """Return a fact as a line that a performer reads in passing, or None where it is no news."""
    match fact:
        case FollowerChanged():
            return f"{fact.deck}: {fact.was} -> {fact.now}"
        case DeckChanged():
            return f"{fact.deck}: {fact.change}{'' if fact.sure else ', perhaps'}{_tempi(fact)}"
        case MarkPlaced():
            return f"mark: {fact.text}"
        case ListenerLost():
            return f"the listener was lost ({fact.why}); the clocks went on"
        case PortOpened():
            return f"{fact.port}: ready ({fact.found})"
        case PortLost():
            return f"{fact.port}: gone ({fact.why}); it is tried again every second"
        case TicksDropped():
            return f"{fact.port}: {counted(fact.count, 'late tick')} left out"
        case TapsSent():
            return f"{fact.pedal}: {counted(fact.count, 'tap')} at {fact.tempo:.1f} bpm"
        case TapsDropped():
            return f"{fact.pedal}: {counted(fact.count, 'late tap')} left out"
        case DelayTimeTold() if fact.why != "drift":
            return f"{fact.pedal}: {fact.delay_ms:.0f} ms"
        case RatioFolded():
            return f"{fact.pedal}: told {fact.ratio:g} beats a beat instead of {fact.asked:g} ({fact.why})"
        case LooperChanged():
            return f"{fact.looper}: {fact.was} -> {fact.now} ({fact.why})"
        case CueFired():
            return f"cue {fact.cue}: {fact.why}"
        case ActionRefused():
            return f"not done, {fact.action}: {fact.why}"
        case OscCounted() if fact.refused + fact.malformed:
            return (
                f"OSC in: {counted(fact.refused + fact.malformed, 'message')} not done so far; the newest: {fact.why}"
            )
        case BarCounted():
            return f"{fact.deck}: this is one"
        case AllQuieted():
            return "all quiet; the clocks go on"
        case TempoNudged():
            return f"{fact.deck}: tempo {fact.percent:+g} %, kept"
        case PedalTurned():
            return f"{fact.pedal}: listens to {fact.deck}"
        case BeatRecounted():
            return f"{fact.deck}: counted {'twice' if fact.factor == 2 else 'half'} as fast"
        case BeatShifted():
            return f"{fact.deck}: moved by half a beat"
        case TapeChosen():
            return f"{fact.deck}: {fact.tape}{'' if fact.tempo is None else f', {fact.tempo:g} bpm'}"
        case FootLost():
            return f"the switches were lost for a moment ({fact.why})"
        case HandsOff():
            return f"{fact.pedal}: hands off, it has its knobs"
        case HandsOn():
            return f"{fact.pedal}: hands on"
        case TempoKept():
            return f"{fact.deck}: tempo kept"
        case TempoLetGo():
            return f"{fact.deck}: tempo let go"
        case SenderReady() if fact.priority != "real time":
            return f"the clocks have no real-time priority ({fact.priority}): see tapebridge check"
        case SleepPossible():
            return f"the machine may go to sleep by itself ({fact.why}): switch that off in the system's settings"
        case HostSuspended():
            return f"the machine slept for {clock_text(fact.slept_s)}; the clocks go on, their beats must be heard anew"
        case NetLost():
            return fact.why
        case DryTapTurned():
            heard = "is heard again" if fact.is_heard else "is silent; its channels are heard instead"
            return f"{fact.deck}: the dry tap {heard}"
        case SoundLost():
            return f"sound: {fact.why}"
        case SoundNotKept():
            return f"sound is no longer recorded: {fact.why}"
    return None


def _tempi(change: DeckChanged) -> str:
    if change.tempo_before is None and change.tempo_after is None:
        return ""
    before, after = ("–" if tempo is None else f"{tempo:.1f}" for tempo in (change.tempo_before, change.tempo_after))
    return f", {before} -> {after} bpm"
