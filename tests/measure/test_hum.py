"""Hum of a known level and frequency in noise; and no hum where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.measure.hum import find_hum

RATE = 48_000
SECONDS = 6.0


def hum(frequency: float, rms_db: float, multiples: tuple[int, ...] = (1,), rate: int = RATE):
    """Lines of equal level whose power together has the root mean square of ``rms_db``."""
    time = np.arange(round(SECONDS * rate)) / rate
    each = np.sqrt(2 / len(multiples)) * 10 ** (rms_db / 20)
    return sum(each * np.sin(2 * np.pi * multiple * frequency * time + multiple) for multiple in multiples)


def hiss(rms_db: float, seed: int = 1, rate: int = RATE):
    """Tape hiss, over the whole band."""
    return np.random.default_rng(seed).standard_normal(round(SECONDS * rate)) * 10 ** (rms_db / 20)


@pytest.mark.parametrize("frequency", [49.8, 49.93, 50.0, 50.2, 59.8, 60.0, 60.07, 60.2])
@pytest.mark.parametrize("multiples", [(1,), (2,), (1, 2, 3, 4), (1, 3, 5, 7)])
def test_hum_of_a_thousandth_of_full_scale_is_found_in_tape_hiss(frequency: float, multiples: tuple[int, ...]) -> None:
    """Mains stray by 0.2 Hz; the hiss is louder than the hum, but spread over the whole band."""
    found = find_hum(hum(frequency, -60.0, multiples) + hiss(-55.0), RATE)
    assert found is not None
    assert found.mains == round(frequency, -1)
    assert found.frequency == pytest.approx(frequency, abs=0.05)
    assert found.level_db == pytest.approx(-60.0, abs=1.0)
    assert set(multiples) <= set(found.lines)


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_the_level_does_not_depend_on_the_rate(rate: int) -> None:
    found = find_hum(hum(50.05, -40.0, (1, 2), rate) + hiss(-70.0, rate=rate), rate)
    assert found is not None
    assert found.level_db == pytest.approx(-40.0, abs=0.3)


@pytest.mark.parametrize("seed", range(20))
def test_no_hum_is_found_in_hiss(seed: int) -> None:
    assert find_hum(hiss(-55.0, seed), RATE) is None


@pytest.mark.parametrize("note", [41.2, 43.65, 46.25, 48.99, 51.91, 55.0, 58.27, 61.74, 65.41])
def test_a_low_note_is_no_hum(note: float) -> None:
    """The notes from E1 to C2. Source: equal temperament from A1 = 55 Hz."""
    assert find_hum(hum(note, -20.0) + hiss(-75.0), RATE) is None


def test_the_louder_of_two_is_told() -> None:
    """A generator at 60 Hz beside mains at 50 Hz."""
    found = find_hum(hum(50.0, -60.0) + hum(60.0, -50.0) + hiss(-75.0), RATE)
    assert found is not None
    assert found.mains == 60


def test_silence_has_no_hum_and_too_little_sound_is_refused() -> None:
    assert find_hum(np.zeros(3 * RATE), RATE) is None
    assert find_hum(np.full(3 * RATE, 0.25), RATE) is None
    with pytest.raises(ValueError, match="hum needs 2 s"):
        find_hum(np.zeros(RATE), RATE)
