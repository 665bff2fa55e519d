"""What of a deck is heard: its channels, and a dry tap where one is wired, as hops side by side.

A mix carries the echoes of the pedals that are clocked by it; a dry tap does not. So the beat, and what the hand does
to the deck, are sought on the dry tap, and the channels tell the level. A dry tap that stays silent while the channels
do not is unplugged, or turned down: then the channels are heard instead, until it is back.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray

from bridge.follow.features import Features, Hop
from bridge.follow.gate import Gate
from bridge.rig import Deck

SILENT_S = 10.0
"""A dry tap that is silent for so long beside channels that are not is given up; it is taken again at once."""


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """One hop of a deck.

    Attributes:
        mix: What its channels sound like.
        deck: What the deck itself sounds like, as near as it is to be had.
        is_dry: Whether that comes from the dry tap.
        turned: Whether it comes from another input than the hop before.
    """

    mix: Hop
    deck: Hop
    is_dry: bool
    turned: bool


class Inputs:
    """One deck's inputs.

    Args:
        deck: The deck.
        rate: Frames per second.
        shared: Whether its channels carry another deck too. Then they never stand in for the dry tap: what sounds while
            it is silent is the other deck.
    """

    def __init__(self, deck: Deck, rate: int, *, shared: bool) -> None:
        self._deck = deck
        self._channels = Features(rate)
        self._tap = Features(rate) if deck.dry else None
        self._gates = (Gate(rate), Gate(rate))
        self._is_dry = bool(deck.dry)
        self._patience = inf if shared else SILENT_S * rate
        self._silent_since = inf

    @property
    def not_finite(self) -> int:
        """How many samples so far were NaN or infinite; they were heard as silence."""
        return self._channels.not_finite + (0 if self._tap is None else self._tap.not_finite)

    def hear(self, samples: NDArray[np.float32]) -> list[Heard]:
        """Take in sound, shape (frames, inputs of the device), and return the hops that it completed.

        Raises:
            ValueError: An input of the deck is not there.
        """
        if (needed := max(self._deck.inputs)) > samples.shape[1]:
            raise ValueError(f"deck {self._deck.name!r} needs channel {needed}, the sound has {samples.shape[1]}")
        dry = None if self._tap is None else _mean(samples, self._deck.dry)
        return self._hear(_mean(samples, self._deck.channels), dry)

    def hear_silence(self, frames: int) -> list[Heard]:
        """Take in silence on all inputs."""
        silence = np.zeros(frames, np.float32)
        return self._hear(silence, silence)

    def _hear(self, mix: NDArray[np.float32], dry: NDArray[np.float32] | None) -> list[Heard]:
        hops = self._channels.hear(mix)
        if self._tap is None or dry is None:
            return [Heard(hop, hop, is_dry=False, turned=False) for hop in hops]
        return [self._chosen(*both) for both in zip(hops, self._tap.hear(dry), strict=True)]

    def _chosen(self, mix: Hop, dry: Hop) -> Heard:
        was = self._is_dry
        for gate, hop in zip(self._gates, (mix, dry), strict=True):
            gate.hear(hop)
        sounds, tap_sounds = (gate.is_open for gate in self._gates)
        if tap_sounds or not sounds:
            self._silent_since = inf
        else:
            self._silent_since = min(self._silent_since, mix.frame)
        self._is_dry = tap_sounds or (was and mix.frame - self._silent_since < self._patience)
        return Heard(mix, dry if self._is_dry else mix, is_dry=self._is_dry, turned=self._is_dry != was)


def _mean(samples: NDArray[np.float32], channels: tuple[int, ...]) -> NDArray[np.float32]:
    """Return the mean of some channels; column by column, since numpy is slow along a short axis."""
    mix = samples[:, channels[0] - 1].astype(np.float32)
    for channel in channels[1:]:
        mix += samples[:, channel - 1]
    if len(channels) > 1:
        mix *= 1.0 / len(channels)
    return mix
