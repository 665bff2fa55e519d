"""Which input of a deck is heard: its dry tap, or its channels in its stead."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.follow.inputs import SILENT_S, Heard, Inputs
from bridge.rig import Deck

RATE = 8_000
SOUTH = Deck(name="south", channels=(1, 2), dry=(3,))


def noise(seconds: float, level: float = 0.1, seed: int = 1) -> np.ndarray:
    return level * np.random.default_rng(seed).normal(size=round(seconds * RATE))


def sound(mix: np.ndarray, dry: np.ndarray) -> np.ndarray:
    """Return three inputs: the mix twice, and the dry tap."""
    return np.stack([mix, mix, dry], axis=1).astype(np.float32)


def hear(samples: np.ndarray, *, shared: bool = False, block: int = 512, deck: Deck = SOUTH) -> list[Heard]:
    inputs = Inputs(deck, RATE, shared=shared)
    return [one for at in range(0, len(samples), block) for one in inputs.hear(samples[at : at + block])]


def turns(heard: list[Heard]) -> list[tuple[float, bool]]:
    """Return when, in seconds, another input was taken, and whether it was the dry tap."""
    return [(one.mix.frame / RATE, one.is_dry) for one in heard if one.turned]


def test_the_dry_tap_is_heard_while_the_mix_is_levelled():
    heard = hear(sound(noise(3, 0.3), noise(3, 0.03, seed=2)))
    assert turns(heard) == []
    assert np.mean([one.mix.level_db - one.deck.level_db for one in heard]) == pytest.approx(20.0, abs=0.1)
    assert all(one.is_dry for one in heard)


def test_a_deck_without_a_dry_tap_is_heard_by_its_channels():
    heard = hear(sound(noise(1), noise(1)), deck=Deck(name="north", channels=(1, 2)))
    assert all(one.deck is one.mix and not one.is_dry and not one.turned for one in heard)


def test_a_tap_whose_plug_is_out_is_given_up_once_and_taken_again_at_once():
    """The mix sounds on from 2 s; the tap comes back at 20 s."""
    dry = np.concatenate([noise(2), np.zeros(18 * RATE), noise(5)])
    (given_up, is_dry), (back, is_dry_again) = turns(hear(sound(noise(25, 0.2), dry)))
    assert (is_dry, is_dry_again) == (False, True)
    assert 2 + SILENT_S < given_up < 2 + SILENT_S + 2
    assert 20 < back < 20.1


def test_a_deck_that_stops_is_silent_on_both_and_gives_nothing_up():
    dry = np.concatenate([noise(2), np.zeros(20 * RATE), noise(5)])
    mix = np.concatenate([noise(6), np.zeros(16 * RATE), noise(5)])  # its echoes go on for 4 s
    assert turns(hear(sound(mix, dry))) == []


def test_a_rest_of_the_tape_that_is_shorter_than_the_patience_gives_nothing_up():
    dry = np.concatenate([np.concatenate([noise(2), np.zeros(8 * RATE)])] * 4)
    assert turns(hear(sound(noise(40), dry))) == []


def test_channels_that_carry_another_deck_too_never_stand_in():
    assert turns(hear(sound(noise(30), np.zeros(30 * RATE)), shared=True)) == []


@pytest.mark.parametrize("block", [37, 1000, 4096])
def test_any_block_size_gives_the_same(block):
    dry = np.concatenate([noise(1), np.zeros(13 * RATE), noise(1)])
    samples = sound(noise(15, 0.2), dry)
    one, other = hear(samples), hear(samples, block=block)
    assert turns(one) == turns(other) != []
    assert len(one) - len(other) in (0, 1)
    assert all(np.array_equal(a.deck.tones_db, b.deck.tones_db) for a, b in zip(one, other, strict=False))


def test_silence_passes_on_both_inputs_alike():
    inputs = Inputs(SOUTH, RATE, shared=False)
    heard = inputs.hear_silence(RATE)
    assert len(heard) == 100
    assert all(one.is_dry and one.deck.level_db == one.mix.level_db == -120.0 for one in heard)


def test_samples_that_are_no_numbers_are_counted_on_every_input():
    samples = sound(noise(1), noise(1))
    samples[100, 2] = samples[200, 0] = np.nan
    inputs = Inputs(SOUTH, RATE, shared=False)
    inputs.hear(samples)
    assert inputs.not_finite == 2


def test_a_tap_that_the_device_does_not_have_is_refused():
    with pytest.raises(ValueError, match="deck 'south' needs channel 3, the sound has 2"):
        Inputs(SOUTH, RATE, shared=False).hear(np.zeros((10, 2), np.float32))
