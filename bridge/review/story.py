"""The parts of a take's story, as `bridge.review.facts` tells it.

Times ending in ``_s`` and ``seconds`` count from the begin of the take; tempos are in bpm.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

from bridge.events import BeatPlaced, DeckChangeKind
from bridge.review.drift import Parts
from bridge.units import cents


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A follower in one state: idle, listening, following, holding, or `NOT_HEARD`."""

    begin_s: float
    end_s: float
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Beats of a deck between two changes of it, heard by one listener: one tape at one speed, counted in one way.

    Attributes:
        begin_s: Its first beat.
        end_s: Its last beat.
        reference: Tempo of its first unbroken minute, or of its first 8 beats.
        lowest: Slowest beat.
        highest: Fastest beat.
        last: Tempo of its last 8 beats.
        parts: Its curve taken apart, in cents against the reference, without the beats that only settled or of which a
            change was not known yet; None for a short one.
    """

    begin_s: float
    end_s: float
    reference: float
    lowest: float
    highest: float
    last: float
    parts: Parts | None = field(default=None, compare=False)

    @property
    def drift_percent(self) -> float:
        """How far the end is from the reference."""
        return 100.0 * (self.last / self.reference - 1.0)

    @property
    def drift_cents(self) -> float:
        """The same as the pitch that the tape gained."""
        return cents(self.last / self.reference)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeckStory:
    """One deck through the take.

    Attributes:
        name: The deck's name.
        stretches: States of its follower, without a gap from the begin to the end of the take.
        beats: Every beat of the journal, in order of time, those that were only counted on too.
        runs: Beats that were heard, in unbroken runs; each run one tuple, in order.
        pieces: What lay between two changes, where there were beats.
        levels: Pairs of seconds and dB.
        share_following: Share of the take in which it was followed, 0..1.
    """

    name: str
    stretches: tuple[Stretch, ...]
    beats: tuple[BeatPlaced, ...]
    runs: tuple[tuple[BeatPlaced, ...], ...]
    pieces: tuple[Piece, ...]
    levels: tuple[tuple[float, float], ...]
    share_following: float

    @property
    def tempo_range(self) -> tuple[float, float] | None:
        """Slowest and fastest beat; None without beats."""
        tempos = [beat.tempo for run in self.runs for beat in run]
        return (min(tempos), max(tempos)) if tempos else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What a pedal was told.

    Attributes:
        seconds: From when on it counts.
        deck_tempo: The deck's tempo that it stands for: told tempo divided by the ratio.
        tempo: Tempo of the pedal's clock.
        ratio: Clock beats per beat of the deck.
        why: What moved it.
    """

    seconds: float
    deck_tempo: float
    tempo: float
    ratio: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CatchUp:
    """A time in which a pedal was further than 2 % from its deck.

    Attributes:
        begin_s: From its first beat off.
        end_s: To the first beat back, or the last that was heard.
        worst_percent: How far off it was at worst; above 0 is too fast.
    """

    begin_s: float
    end_s: float
    worst_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Echoes:
    """How a pedal's echoes sat on the beat of its deck, while that was followed.

    Attributes:
        within_1: Share of that time within 1 % of the deck's tempo, 0..1.
        within_2: Within 2 %.
        within_5: Within 5 %.
        usual_ms: Echo error in ms that was undercut half of the time.
        worst_ms: Echo error in ms that was undercut 95 % of the time.
        usual_beats: The same as ``usual_ms``, in beats of the deck.
        worst_beats: The same as ``worst_ms``, in beats of the deck.
        catch_ups: Each time in which it was further off than 2 %.
    """

    within_1: float
    within_2: float
    within_5: float
    usual_ms: float
    worst_ms: float
    usual_beats: float
    worst_beats: float
    catch_ups: tuple[CatchUp, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PedalStory:
    """One pedal through the take.

    Attributes:
        name: The pedal's name.
        deck: The deck that it listened to last; empty when it was told nothing.
        steps: What it was told, in order.
        echoes: How it kept up with its deck; None without a beat, or when it was told nothing.
        taps: How many taps it got.
        times: How often it was told a delay time.
    """

    name: str
    deck: str
    steps: tuple[Step, ...]
    echoes: Echoes | None
    taps: int = 0
    times: int = 0


NotByHand = Literal["already running", "dry tap fell silent", "heard by its channels"]
"""What looks like a start or a stop of a deck, where only its hearing began or ended."""

ChangeKind = DeckChangeKind | NotByHand


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A deck changed by hand; or it began or ceased to be heard, as where a listener began or a dry tap fell silent.

    Attributes:
        seconds: When.
        deck: The deck's name.
        kind: What happened.
        before: Tempo before it; None where there was none.
        after: Tempo after it; None where there was none yet.
        percent: How much faster it went on; None where a tempo is missing.
        noticed_after_s: How much later the bridge knew.
        sure: False where a mixer's output told it.
    """

    seconds: float
    deck: str
    kind: ChangeKind
    before: float | None
    after: float | None
    percent: float | None
    noticed_after_s: float
    sure: bool = True

    @property
    def words(self) -> str:
        """What happened, and whether that is not sure."""
        return self.kind if self.sure else f"{self.kind}, perhaps"

    @property
    def by_hand(self) -> bool:
        """Whether it was a hand that changed the deck."""
        return self.kind not in get_args(NotByHand)


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """What a hand or a foot did to a pedal or a deck, what a pedal's limits did to its ratio, or that a cue was fired.

    Attributes:
        seconds: When.
        whose: Name of the pedal, deck or cue.
        what: In words.
    """

    seconds: float
    whose: str
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """A loop that was recorded and then played.

    Attributes:
        pedal: The looper, or the pedal that told of it.
        begin_s: When its recording began.
        length_s: Its length.
        played_s: How long it was played after its recording.
        beats: Its length in beats of the deck; None where that was not followed.
        apart_beats: How far ahead the deck was of the loop in the end, in beats; None where that was not followed.
        furthest_beats: The same where it was furthest, ahead or behind.
    """

    pedal: str
    begin_s: float
    length_s: float
    played_s: float
    beats: float | None
    apart_beats: float | None
    furthest_beats: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """The performer's own note."""

    seconds: float
    wall: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """A take in order.

    Attributes:
        name: The take's name; empty where the journal does not say.
        began: Host time of its begin, in seconds.
        wall: Wall time of its begin in seconds since 1970 UTC; None where the journal does not say.
        length_s: From its begin to its end, or to the last fact.
        ended: Why it ended; None when the journal does not say: it still runs, or was cut.
        decks: Every deck named in it, the rig's order first.
        pedals: Every pedal named in it, the rig's order first.
        changes: Changes of decks by hand, and where only their hearing began or ended.
        marks: The performer's notes.
        deeds: What was done to pedals and decks by hand and foot.
        loops: Loops that were recorded and played.
        cues: Cues that were fired, and what each had waited for.
    """

    name: str
    began: float
    wall: float | None
    length_s: float
    ended: str | None
    decks: tuple[DeckStory, ...]
    pedals: tuple[PedalStory, ...]
    changes: tuple[Change, ...]
    marks: tuple[Mark, ...]
    deeds: tuple[Deed, ...] = ()
    loops: tuple[Loop, ...] = ()
    cues: tuple[Deed, ...] = ()
