"""A moment of a take as a loop for tape: cut on the beats, in its own time or at a steady tempo, by plain speed."""

from __future__ import annotations

import io
import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import ndimage, signal

from bridge.errors import TakeError
from bridge.events import BeatPlaced
from bridge.review.cut_text import cut_text
from bridge.review.facts import tell
from bridge.review.files import write_files
from bridge.review.kept import HOW_KEPT, KeptSound, kept_sound, sound_between
from bridge.review.read import read_take
from bridge.review.story import DeckStory, Mark, Story
from bridge.review.strokes import moved, rises_of
from bridge.units import cents, clock_text, counted

SPEEDS = {"half": 0.5, "normal": 1.0, "double": 2.0}
"""Speeds of a deck."""

EARLY_S = 0.005
"""The cut lies so much before the beat, so that the stroke on it stays whole."""

CROSSING_S = 0.003
"""A zero crossing is looked for so far around it."""

FADE_S = 0.003
"""Length of the fades at both ends."""

CONTEXT_S = 0.2
"""Sound beyond the beats around the cut that helps to find its strokes."""

CONTEXT_BEATS = 8
"""Beats before and after the cut that help to tell its tempo."""

_MARGIN_S = 0.05
_OVERSAMPLING = 4

Sound = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is to be cut.

    Attributes:
        mark: A mark's number from 1, part of its text, or a time such as 1:02:30.
        bars: How many bars, 1 or more.
        beats_a_bar: Beats in a bar.
        deck: The deck's name; None where only one had a beat there.
        shift: Beats by which the cut begins later (below 0: earlier) than the beat of the mark.
        steady: Whether drift is taken out.
        tempo: Tempo in bpm at which the loop is to play at ``speed``; None for that of the night.
        speed: Speed at which the deck will play it: half, normal or double; it is recorded at normal speed.
    """

    mark: str
    bars: int
    beats_a_bar: int = 4
    deck: str | None = None
    shift: int = 0
    steady: bool = False
    tempo: float | None = None
    speed: str = "normal"

    @property
    def beats(self) -> int:
        """How many beats."""
        return self.bars * self.beats_a_bar

    @property
    def warped(self) -> bool:
        """Whether its speed is changed at all."""
        return self.steady or self.tempo is not None or self.speed != "normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """A loop that was cut.

    Attributes:
        begin_s: First frame's moment in the take, in seconds.
        heard_s: How long the moment lasted on the night.
        tempo: Tempo of the file in bpm.
        beats: Beats in it.
        tempos: Slowest and fastest tempo of the moment on the night, smoothed over some beats.
        sound: Shape (frames, channels).
        rate: Frames per second.
        deck: The deck.
        mark: The mark.
    """

    begin_s: float
    heard_s: float
    tempo: float
    beats: int
    tempos: tuple[float, float]
    sound: Sound
    rate: int
    deck: str
    mark: Mark

    @property
    def speed(self) -> float:
        """How much faster the file plays than the moment did on the night, pitch and all."""
        return self.tempo * self.heard_s / (60.0 * self.beats)

    @property
    def pitch_cents(self) -> float:
        """How much higher it sounds than on the night."""
        return cents(self.speed)


def write_cut(folder: Path, wish: Wish) -> tuple[Path, Cut]:
    """Cut a loop out of a take, and write it with a text beside it, under ``cuts`` in the take's folder.

    Raises:
        TakeError: There is no such mark, no beat or no sound, or it cannot be written.
    """
    cut = make_cut(folder, wish)
    place = folder / "cuts"
    try:
        place.mkdir(exist_ok=True)
    except OSError as error:
        raise TakeError(f"{place}: cannot be made: {error.strerror or error}. Allow writing in that folder.") from error
    name = _name(wish, cut)
    data = io.BytesIO()
    soundfile.write(data, cut.sound, cut.rate, format="WAV", subtype="PCM_24")
    text = cut_text(
        name=f"{name}.wav",
        take=folder.resolve().name,
        moment=f'the mark "{cut.mark.text}"' if cut.mark.text else "the moment that was asked for",
        begin=clock_text(max(0.0, cut.begin_s)),
        deck=cut.deck,
        bars=wish.bars,
        beats=cut.beats,
        tempo=cut.tempo,
        length_s=len(cut.sound) / cut.rate,
        tempos=cut.tempos,
        pitch_cents=cut.pitch_cents,
        warped=wish.warped,
        speed=wish.speed,
    )
    landed = write_files(place, {f"{name}.wav": data.getvalue(), f"{name}.txt": text.encode(errors="replace")})
    return landed[f"{name}.wav"], cut


def make_cut(folder: Path, wish: Wish) -> Cut:
    """Return a loop of a take; see `write_cut`."""
    take = read_take(folder)
    story, kept = tell(take.facts), kept_sound(take)
    mark = find_mark(story, wish.mark)
    deck, run, first = _moment(story, mark, wish)
    if not kept.segments:
        raise TakeError(f"{folder}: no sound of this take was kept, so nothing can be cut. {HOW_KEPT}")
    return _cut(kept, deck, mark, [beat.at - take.began for beat in run], first, wish)


def find_mark(story: Story, asked: str) -> Mark:
    """Return the mark that a number, a part of its text or a time names.

    Raises:
        TakeError: None does, or several do.
    """
    if (timed := re.fullmatch(r"(?:(\d+):)?(\d+):(\d\d(?:\.\d+)?)", asked)) is not None:
        seconds = 3600.0 * int(timed[1] or 0) + 60.0 * int(timed[2]) + float(timed[3])
        if seconds > story.length_s:
            raise TakeError(f"{asked} is after the end of the take, which is {clock_text(story.length_s)} long.")
        return Mark(seconds=seconds, wall=(story.wall or 0.0) + seconds, text="")
    if asked.isdecimal() and 1 <= int(asked[:9]) <= len(story.marks):
        return story.marks[int(asked) - 1]
    found = [mark for mark in story.marks if asked.casefold() in mark.text.casefold()] if asked else []
    if len(found) == 1:
        return found[0]
    listed = "; ".join(
        f"{n} at {clock_text(max(0.0, m.seconds))}: {m.text[:40]!r}" for n, m in enumerate(story.marks[:20], 1)
    )
    what = "is part of several marks" if found else "names no mark"
    raise TakeError(
        f"{asked!r} {what}. Marks of this take: {listed or 'none'}. Name one by its number, or a time such as 12:30."
    )


def _moment(story: Story, mark: Mark, wish: Wish) -> tuple[str, Sequence[BeatPlaced], int]:
    """Return deck, run of beats, and the number in it of the cut's first beat."""
    decks = [deck for deck in story.decks if wish.deck in (None, deck.name)]
    if not decks:
        names = ", ".join(deck.name for deck in story.decks) or "none"
        raise TakeError(f"no deck is called {wish.deck!r}. Decks of this take: {names}. Name one of them after --deck.")
    there = [(deck, run) for deck in decks if (run := _run_at(deck, mark.seconds + story.began)) is not None]
    at = clock_text(max(0.0, mark.seconds))
    if not there:
        raise TakeError(
            f"no beat was heard at {at}, so nothing can be cut on beats. Name a moment in a steady stretch."
        )
    if len(there) > 1:
        names = " and ".join(deck.name for deck, _ in there)
        raise TakeError(f"{names} both had a beat at {at}. Say which: --deck {there[0][0].name!r}")
    deck, run = there[0]
    if len(run) <= wish.beats:
        bars = (len(run) - 1) // wish.beats_a_bar
        raise TakeError(
            f"{deck.name} kept its beat for {counted(len(run) - 1, 'beat')} around {at}, {wish.beats} were asked for. "
            f"Ask for fewer bars: --bars {max(1, bars)}"
        )
    first = bisect_right(run, mark.seconds + story.began + 0.1, key=lambda beat: beat.at) - 1 + wish.shift
    return deck.name, run, min(max(0, first), len(run) - 1 - wish.beats)


def _run_at(deck: DeckStory, at: float) -> Sequence[BeatPlaced] | None:
    return next((run for run in deck.runs if run[0].at - 2.0 <= at <= run[-1].at + 2.0), None)


def _cut(kept: KeptSound, deck: str, mark: Mark, times: Sequence[float], first: int, wish: Wish) -> Cut:
    place = _on_strokes(kept, deck, smooth_beats(times, first, wish.beats), wish.beats)
    begin_s, end_s = float(place(np.array(0.0))), float(place(np.array(float(wish.beats))))
    heard_s = end_s - begin_s
    own = 60.0 * wish.beats / heard_s
    tempo = (own if wish.tempo is None else wish.tempo) / SPEEDS[wish.speed]
    if not 0.25 <= tempo / own <= 4.0:
        raise TakeError(f"{tempo:.1f} bpm is too far from the {own:.1f} bpm of the night: 0.25 to 4 times is possible.")
    sound, rate, from_s = _sound(kept, deck, begin_s - EARLY_S - _MARGIN_S, end_s - EARLY_S + _MARGIN_S)
    if wish.warped:
        sound = _warped(sound, rate, lambda u: place(u) - EARLY_S - from_s, wish.beats, tempo)
    else:
        lead = round((begin_s - EARLY_S - from_s - CROSSING_S) * rate)
        sound = sound[max(0, lead) :]
    loop = _ends(sound, round(60.0 * wish.beats / tempo * rate), rate, exact=wish.warped)
    pace = np.diff(np.asarray(place(np.arange(wish.beats + 1.0))))
    return Cut(
        begin_s=begin_s,
        heard_s=heard_s,
        tempo=60.0 * wish.beats * rate / len(loop),
        beats=wish.beats,
        tempos=(60.0 / float(pace.max()), 60.0 / float(pace.min())),
        sound=loop,
        rate=rate,
        deck=deck,
        mark=mark,
    )


def smooth_beats(times: Sequence[float], first: int, beats: int) -> np.polynomial.Polynomial:
    """Return a curve of time against beats, counted from beat ``first``, through beats and some around them.

    Single beats of a follower are off by some ms, and a tape's speed changes slowly: so the curve is smooth. It bends
    as often as every 16 beats.
    """
    low, high = max(0, first - CONTEXT_BEATS), min(len(times), first + beats + 1 + CONTEXT_BEATS)
    count = np.arange(low, high) - first
    return np.polynomial.Polynomial.fit(count, times[low:high], min(3 + beats // 16, 9, len(count) - 1))


def _on_strokes(kept: KeptSound, deck: str, place: np.polynomial.Polynomial, beats: int) -> np.polynomial.Polynomial:
    """Return the curve moved on to the strokes that are heard near its beats, where there are clear ones."""
    at = np.asarray(place(np.arange(beats + 1.0)))
    from_s = float(2 * at[0] - at[1]) - CONTEXT_S
    sound, rate = sound_between(kept, from_s, float(2 * at[-1] - at[-2]) + CONTEXT_S)
    found = moved(rises_of(_of_deck(sound, kept, deck), rate), at - from_s)
    return place.convert() + np.polynomial.Polynomial([found.begin_s, (found.end_s - found.begin_s) / beats])


def _of_deck(sound: NDArray[np.float32], kept: KeptSound, deck: str) -> Sound:
    channels = [n for n, owner in enumerate(kept.decks) if owner == deck and n < sound.shape[1]]
    return np.asarray(sound[:, channels] if channels else sound, np.float64)


def _sound(kept: KeptSound, deck: str, begin_s: float, end_s: float) -> tuple[Sound, int, float]:
    """Return the deck's channels, their rate, and when their first frame sounds; all of it must be there."""
    from_s = begin_s
    for segment in kept.segments:
        if segment.begin_s <= from_s + 0.001:
            from_s = max(from_s, segment.end_s)
    if from_s < end_s - 0.002 or begin_s < kept.segments[0].begin_s:
        at = clock_text(max(0.0, from_s))
        raise TakeError(f"the sound of this moment was not kept, or not all of it: it is missing from {at} on.")
    sound, rate = sound_between(kept, begin_s, end_s)
    return _of_deck(sound, kept, deck), rate, begin_s


def _warped(sound: Sound, rate: int, place, beats: int, tempo: float) -> Sound:  # type: ignore[no-untyped-def]
    """Return the sound read along a curve of beats, at a steady tempo, with `CROSSING_S` to spare at both ends."""
    frames = round(60.0 * beats / tempo * rate)
    spare = round(CROSSING_S * rate) + 1
    at = np.asarray(place(np.arange(-spare, frames + spare + 1) * (beats / frames))) * rate
    fastest = float(np.max(np.diff(at)))
    if fastest > 1.0:  # nothing may fold down
        low = signal.firwin(511, 0.95 / fastest)
        sound = signal.oaconvolve(sound, low[:, None], mode="same", axes=0)
    fine = signal.resample_poly(sound, _OVERSAMPLING, 1, axis=0)
    lines = [ndimage.map_coordinates(line, [at * _OVERSAMPLING], order=3, mode="nearest") for line in fine.T]
    return np.stack(lines, axis=1)


def _ends(sound: Sound, frames: int, rate: int, exact: bool) -> Sound:
    """Return ``frames`` of sound, from one zero crossing to another, faded at both ends.

    Args:
        sound: Shape (frames, channels); the cut lies `CROSSING_S` behind its begin.
        frames: How many; where not ``exact``, the end moves to a zero crossing too.
        rate: Frames per second.
        exact: Whether the length must be kept.
    """
    spare = round(CROSSING_S * rate)
    mono = sound.mean(axis=1)
    begin = _crossing(mono, spare, spare)
    end = begin + frames if exact else _crossing(mono, begin + frames, spare)
    loop = sound[begin:end].copy()
    fade = min(max(1, round(FADE_S * rate)), len(loop) // 2)
    ramp = np.sin(np.linspace(0.0, np.pi / 2, fade)) ** 2
    loop[:fade] *= ramp[:, None]
    loop[len(loop) - fade :] *= ramp[::-1, None]
    return np.clip(loop, -1.0, 1.0)


def _crossing(line: Sound, near: int, reach: int) -> int:
    """Return the frame next to ``near`` before which the line changes its sign; ``near`` itself where none does."""
    low, high = max(1, near - reach), min(len(line), near + reach + 1)
    there = low + np.flatnonzero(np.signbit(line[low:high]) != np.signbit(line[low - 1 : high - 1]))
    return int(there[np.argmin(np.abs(there - near))]) if len(there) else min(near, len(line))


def _name(wish: Wish, cut: Cut) -> str:
    said = cut.mark.text or clock_text(cut.mark.seconds).replace(":", "-")
    plain = re.sub(r"[^a-z0-9]+", "-", said.lower()).strip("-")[:40].strip("-") or f"at-{round(cut.mark.seconds)}s"
    parts = [plain, re.sub(r"[^a-z0-9]+", "-", cut.deck.lower()).strip("-"), f"{wish.bars}x{wish.beats_a_bar}"]
    parts += [f"{wish.shift:+d}"] if wish.shift else []
    parts += [f"{cut.tempo * SPEEDS[wish.speed]:.4g}bpm-{wish.speed}"] if wish.warped else []
    return "-".join(filter(None, parts))
