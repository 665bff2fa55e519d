"""The built-in set: two minutes at the lighthouse, on two decks, with its hidden truth.

South plays the fog signal from end to end, without a beat. North plays the gravel path, drifting; then the winch room
at half speed, switched to normal while it runs; its drums go, the kettle's steam on the same tape stays, and the drums
come back in time. One channel a deck.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from bridge.rig import Deck, Midi, Pedal, Rig, SoundInput, TakePlan
from bridge.testing.beds import fog_signal, kettle
from bridge.testing.clips import drum_loop
from bridge.testing.tape import Move, Pass, Recording, Sound, TapeMachine
from bridge.testing.truth import Change, DeckTruth, Stretch, Truth

LENGTH_S = 120.0
"""Length of the set in seconds."""

_PEAK = 0.85
_KNOTS_A_SECOND = 1000  # straight lines between truth's knots are exact to a microsecond at any wow here
_START_S, _STOP_S, _SWITCH_S, _FADE_OUT_S, _FADE_IN_S = 0.4, 0.6, 0.3, 1.6, 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Night:
    """A set to hear, and what it hides.

    Attributes:
        sound: Shape (frames, channels), float32, below 0.9: one channel a deck, in the rig's order.
        rate: Frames per second.
        rig: The decks and pedals that it is played on.
        truth: What truly happened; the bridge must not see it.
    """

    sound: NDArray[np.float32]
    rate: int
    rig: Rig
    truth: Truth


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """When the hands move, in seconds from the first frame, and how far the tapes wander."""

    gravel_s: float
    stop_s: float
    winch_s: float
    switch_s: float
    gone_s: float
    back_s: float
    gravel_drift: tuple[tuple[float, float], ...]
    winch_drift: tuple[tuple[float, float], ...]


def built_in_rig(rate: int = 48_000) -> Rig:
    """Return the rig of the built-in set: two decks, and a long and a short echo that listen to north."""
    return Rig(
        path="the built-in set",
        sound=SoundInput(rate=rate, latency_ms=0.0),
        decks=(
            Deck(name="north", channels=(1,), tempo_range=(40.0, 130.0)),
            Deck(name="south", channels=(2,), tempo_range=(40.0, 130.0)),
        ),
        pedals=(
            Pedal(name="long echo", port="Pedals A", listens_to="north"),
            Pedal(name="short echo", port="Pedals B", listens_to="north", ratio=Fraction(2)),
        ),
        midi=Midi(virtual=("Pedals A", "Pedals B")),
        take=TakePlan(name="rehearsal"),
    )


def build_night(seed: int, rate: int = 48_000) -> Night:
    """Return the built-in set.

    Args:
        seed: Draws the drift, the wow, the moments of the hands and the hiss; the same seed gives the same frames.
        rate: Frames per second, 8000..192000.

    Raises:
        ValueError: The rate is out of range.
    """
    if not 8_000 <= rate <= 192_000:
        raise ValueError(f"rate must be 8000..192000 frames a second, got {rate!r}")
    rng = np.random.default_rng(seed)
    rig = built_in_rig(rate)
    plan = _plan(rng)
    north, north_truth = _north(plan, _deck(rate, rng), rng)
    south, south_truth = _south(_deck(rate, rng), rng)
    sound = np.stack([north, south], axis=1)
    sound[-rate // 2 :] *= np.linspace(1.0, 0.0, rate // 2)[:, None]
    sound *= min(1.0, _PEAK / float(np.abs(sound).max()))
    truth = Truth(
        decks={"north": north_truth, "south": south_truth},
        pedals=rig.pedals,
        bed_s=(0.0, plan.gravel_s),
        length_s=LENGTH_S,
    )
    return Night(sound=sound.astype(np.float32), rate=rate, rig=rig, truth=truth)


def _plan(rng: np.random.Generator) -> _Plan:
    gravel_s = 15.0 + rng.uniform(-0.5, 0.5)
    stop_s = gravel_s + 35.0 + rng.uniform(-0.5, 0.5)
    winch_s = stop_s + _STOP_S + rng.uniform(1.5, 2.0)
    switch_s = winch_s + 25.0 + rng.uniform(-0.5, 0.5)
    gone_s = switch_s + 14.0 + rng.uniform(-0.5, 0.5)
    far, way, early = rng.uniform(0.027, 0.033), rng.choice([-1.0, 1.0]), rng.uniform(0.3, 0.5)
    slack = rng.uniform(-0.004, 0.004, 3)
    return _Plan(
        gravel_s=gravel_s,
        stop_s=stop_s,
        winch_s=winch_s,
        switch_s=switch_s,
        gone_s=gone_s,
        back_s=gone_s + 10.0 + rng.uniform(-0.5, 0.5),
        gravel_drift=(
            (0.0, -way * far / 2),
            (15.0, way * far * (early - 0.5)),
            (36.0, way * far / 2),
        ),
        winch_drift=((0.0, slack[0]), (22.0, slack[1]), (65.0, slack[2])),
    )


def _deck(rate: int, rng: np.random.Generator) -> TapeMachine:
    return TapeMachine(
        rate=rate,
        wow=rng.uniform(0.0015, 0.0025),
        wow_hz=rng.uniform(0.55, 0.95),
        flutter=rng.uniform(0.0006, 0.001),
        flutter_hz=rng.uniform(6.5, 9.5),
        scrape=0.0002,
        hiss_db=rng.uniform(-62.0, -56.0),
    )


def _north(plan: _Plan, deck: TapeMachine, rng: np.random.Generator) -> tuple[Sound, DeckTruth]:
    """Return north's sound, shape (frames,), and truth: silence, one tape, silence, another tape."""
    change_s = plan.winch_s - 0.5
    moves = (
        Move(time_s=plan.gravel_s, speed=1.0, glide_s=_START_S),
        Move(time_s=plan.stop_s, speed=0.0, glide_s=_STOP_S),
    )
    drift = tuple((plan.gravel_s + time_s, share) for time_s, share in plan.gravel_drift)
    speed = deck.speed(change_s, moves, rng, drift)
    first = deck.play(drum_loop("gravel-path", name="gravel path", tempo=84.0), speed)

    moves = (
        Move(time_s=plan.winch_s - change_s, speed=0.5, glide_s=_START_S),
        Move(time_s=plan.switch_s - change_s, speed=1.0, glide_s=_SWITCH_S),
    )
    drift = tuple((plan.winch_s - change_s + time_s, share) for time_s, share in plan.winch_drift)
    speed = deck.speed(LENGTH_S - len(first.sound) / deck.rate, moves, rng, drift)
    second = deck.play(drum_loop("winch-room", name="winch room", tempo=118.0), speed)
    steam = deck.play(kettle(20.0, rng), speed)

    fader = _fader(plan, len(first.sound), second)
    mixed = fader * second.sound + (0.25 - 0.15 * fader) * steam.sound  # as the drums go down, the steam comes up
    running = np.concatenate([first.speed, second.speed])
    return np.concatenate([first.sound, mixed]) + deck.hiss(running, rng), _north_truth(plan, first, second)


def _fader(plan: _Plan, begun: int, drums: Pass) -> NDArray[np.float64]:
    """Return the drums' fader at each frame of the second tape: down over the moment of "gone", up from "back" on."""
    time_s = (begun + np.arange(len(drums.sound))) / drums.rate
    down = np.clip((time_s - plan.gone_s) / _FADE_OUT_S + 0.5, 0.0, 1.0)
    up = np.clip((time_s - plan.back_s) / _FADE_IN_S, 0.0, 1.0)
    return np.asarray(np.cos(np.pi / 2 * down) ** 2 + np.sin(np.pi / 2 * up) ** 2)


def _north_truth(plan: _Plan, first: Pass, second: Pass) -> DeckTruth:
    begun_s = len(first.sound) / first.rate
    end_s = LENGTH_S - 0.5  # the whole set fades from there
    gravel = stretch_of(first, plan.gravel_s + _START_S, plan.stop_s)
    winch = stretch_of(second, plan.winch_s + _START_S, plan.gone_s, begun_s)
    again = stretch_of(second, plan.back_s, end_s, begun_s)
    slow, slow_end, fast = (
        float(second.tempo_at(time_s - begun_s))
        for time_s in (plan.winch_s + _START_S, plan.switch_s, plan.switch_s + _SWITCH_S)
    )
    begin, end = float(gravel.tempo[0]), float(gravel.tempo[-1])
    gone, back = float(winch.tempo[-1]), float(again.tempo[0])
    return DeckTruth(
        stretches=(gravel, winch, again),
        changes=(
            Change(time_s=plan.gravel_s, kind="started", tempo_before=None, tempo_after=begin),
            Change(time_s=plan.stop_s, kind="stopped", tempo_before=end, tempo_after=None),
            Change(time_s=plan.winch_s, kind="another tape", tempo_before=end, tempo_after=slow),
            Change(time_s=plan.switch_s, kind="speed switch", tempo_before=slow_end, tempo_after=fast),
            Change(time_s=plan.gone_s, kind="beat gone", tempo_before=gone, tempo_after=None),
            Change(time_s=plan.back_s, kind="beat back", tempo_before=None, tempo_after=back),
        ),
    )


def _south(deck: TapeMachine, rng: np.random.Generator) -> tuple[Sound, DeckTruth]:
    """Return south's sound, shape (frames,), and truth: the bed, from end to end."""
    bed: Recording = fog_signal(LENGTH_S, rng)
    speed = deck.speed(LENGTH_S, (Move(time_s=0.0, speed=1.0, glide_s=2.0),), rng)
    started = Change(time_s=0.0, kind="started", tempo_before=None, tempo_after=None)
    sound = 0.7 * deck.play(bed, speed).sound + deck.hiss(speed, rng)
    return sound, DeckTruth(stretches=(), changes=(started,))


def stretch_of(played: Pass, begin_s: float, end_s: float, begun_s: float = 0.0) -> Stretch:
    """Return the truth of a part of a pass.

    Args:
        played: A pass of a recording with a beat, whose beats are evenly spaced on the tape.
        begin_s: First moment of the part.
        end_s: Last moment of the part, within the pass; the tape moves all the time between them.
        begun_s: Time of the pass's first frame. All three in seconds from the first frame of the set.

    Raises:
        ValueError: The part is outside the pass, or the tape stands still in it.
    """
    knots = round((end_s - begin_s) * _KNOTS_A_SECOND) + 1
    knots_s = np.linspace(begin_s, end_s, knots)
    frames = (knots_s - begun_s) * played.rate
    if not (frames[0] >= 0 and frames[-1] <= len(played.position_s) - 1):  # NaN fails too
        raise ValueError(f"the part {begin_s!r}..{end_s!r} s is outside the pass")
    place_s = np.interp(frames, np.arange(len(played.position_s)), played.position_s)
    count = (place_s - played.recording.beats_s[0]) * played.recording.tempo / 60.0
    return Stretch(begin_s=begin_s, end_s=end_s, knots_s=knots_s, count=count, tempo=played.tempo_at(knots_s - begun_s))
