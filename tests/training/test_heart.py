"""The next heart hears a beat where there is one. It never trained on these loops."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from bridge.testing.clips import drum_loop
from bridge.testing.tape import Move, TapeMachine
from tests.training.score import beats_of


@pytest.mark.parametrize("rate", [22_050, 48_000])
def test_drums_on_a_tape_are_followed_at_any_rate(tmp_path, rate):
    machine = TapeMachine(rate=rate)
    rng = np.random.default_rng(2)
    speed = machine.speed(14.0, (Move(time_s=0.2, speed=1.0),), rng)
    drums = machine.play(drum_loop("gravel-path", name="gravel path", tempo=96.0), speed).sound
    soundfile.write(tmp_path / "drums.wav", drums + machine.hiss(speed, rng), rate)
    beats = beats_of(tmp_path / "drums.wav", tempo_range=(60.0, 130.0))
    late = beats[beats[:, 0] > 6]
    assert 60 / np.median(np.diff(late[:, 0])) == pytest.approx(96.0, rel=0.02)
    assert np.all(late[:, 1] - late[:, 0] < 0.05)  # known at or before its time, or just after


def test_silence_has_no_beat(tmp_path):
    soundfile.write(tmp_path / "silence.wav", np.zeros(480_000), 48_000)
    assert len(beats_of(tmp_path / "silence.wav")) == 0
