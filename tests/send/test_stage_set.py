"""A few minutes of the simulated set that `tests.bench.foot` plays for hours, and whether its reckoning sees faults."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from bridge.events import Fact
from bridge.events_foot import CueFired, LooperChanged
from bridge.send.schedule import Message
from tests.stage_set import Night

MINUTES = 5


@pytest.mark.parametrize("seed", [1, 2])
def test_a_set_in_simulated_time_leaves_nothing_undone(seed: int) -> None:
    """No note is held, nothing is opened unasked or left open, no cue is lost or doubled, each edge is told."""
    score = Night(seed, MINUTES * 60, 60).play()
    assert score.faults == []
    assert sum(len(box.turns) for box in score.boxes.values()) >= 15
    assert sum(map(len, score.cues.fired.values())) >= 30
    assert len(score.off_ms) >= 5


class Faulty(Night):
    """A set whose sender does something wrong."""

    wrong = ""

    def _take(self, facts: list[Fact]) -> None:
        super()._take([fact for fact in facts if not (self.wrong == "untold" and isinstance(fact, LooperChanged))])

    def _hand_over(self, message: Message) -> None:
        if self.wrong == "late":
            message = message._replace(at=message.at + 0.04, until=message.until + 0.04)
        super()._hand_over(message)
        if self.wrong == "twice":
            super()._hand_over(message)


def _late(night: Faulty) -> None:
    night.wrong = "late"


def _untold(night: Faulty) -> None:
    night.wrong = "untold"


def _twice(night: Faulty) -> None:
    night.wrong = "twice"


def _never_ended(night: Faulty) -> None:
    night.stage.end = lambda now: []  # type: ignore[method-assign]


def _records_by_itself(night: Faulty) -> None:
    record = Message("Pedals C", 20.0, bytes((0x94, 40, 100)))
    night._at(night._asked, 20.0, lambda: night._hand_over(record))


def _cue_told_twice(night: Faulty) -> None:
    take = night.score.take

    def twice(fact: Fact, now: float) -> None:
        take(fact, now)
        if isinstance(fact, CueFired):
            take(replace(fact), now)

    night.score.take = twice  # type: ignore[method-assign]


@pytest.mark.parametrize(
    ("spoil", "kind"),
    [
        (_late, "beside the beat"),
        (_untold, "edge missing in the facts"),
        (_twice, "messages too close"),
        (_never_ended, "held note"),
        (_records_by_itself, "recording that nobody asked for"),
        (_cue_told_twice, "lost or doubled cue"),
    ],
    ids=["late", "untold", "twice", "never ended", "records by itself", "cue told twice"],
)
def test_the_reckoning_sees(spoil: Callable[[Faulty], None], kind: str) -> None:
    night = Faulty(2, 150, 60)
    spoil(night)
    assert kind in {found for found, _, _ in night.play().faults}
