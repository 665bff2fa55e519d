"""What a follower hears a beat with."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from bridge.follow.aubio_beat import AubioBeat
from bridge.follow.believed import BelievedBeat
from bridge.follow.features import Features
from bridge.follow.sense import sense_of
from bridge.rig import FollowerKind
from bridge.weights import learned
from tests.follow.sounds import NORTH, RATE, drums

HOPS = Features(RATE).hear(drums("gravel-path", 84.0, 12.0))


@pytest.mark.parametrize("kind", get_args(FollowerKind))
def test_each_finds_no_beat_before_sound_and_one_in_drums_and_forgets_it(kind):
    sense = sense_of(replace(NORTH, follower=kind), RATE, learned())
    assert sense.present == 0.0
    for hop in HOPS:
        sense.hear(hop)
    assert sense.present > 0.6
    sight = sense.sight(len(HOPS))
    assert sight.weight > 0.25
    assert len(HOPS) - 3 * sight.period < sight.beat <= len(HOPS)
    sense.forget()
    assert sense.present == 0.0


def test_a_rig_chooses():
    kinds = {kind: sense_of(replace(NORTH, follower=kind), RATE, learned()) for kind in get_args(FollowerKind)}
    assert isinstance(kinds["aubio"], AubioBeat)
    assert isinstance(kinds["net"], BelievedBeat)
    assert isinstance(kinds["onsets"], BelievedBeat)
    for sense in kinds.values():
        for hop in HOPS:
            sense.hear(hop)
    assert len({sense.sight(len(HOPS)).period for sense in kinds.values()}) == 3
