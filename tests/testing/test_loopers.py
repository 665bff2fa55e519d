"""The simulated looper does what its table says and nothing else, and its record of it tells all."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.testing.loopers import MOVES, OPEN, BoxEdge, LoopBox, Turn

EDGES: tuple[BoxEdge, ...] = ("record", "play", "overdub", "stop", "clear", "step")


def cc(edge: BoxEdge) -> bytes:
    return bytes((0xB0, 80, EDGES.index(edge)))


def absolute(latency_s: float = 0.0) -> LoopBox:
    return LoopBox({cc(edge): edge for edge in EDGES[:5]}, latency_s)


def toggle() -> LoopBox:
    return LoopBox({cc("step"): "step"})


@pytest.mark.parametrize(
    ("told", "does"),
    [("record", "recording"), ("play", "playing"), ("overdub", "overdubbing"), ("clear", "idle")],
)
@pytest.mark.parametrize("before", EDGES[:5])
def test_what_is_absolute_leads_to_the_same_state_whatever_was_before(
    told: BoxEdge, does: str, before: BoxEdge
) -> None:
    """The rig's own definition of absolute (`bridge.rig_foot.EdgeKind`)."""
    box = absolute()
    box.receive_all([(1.0, cc("record")), (2.0, cc(before)), (3.0, cc(told))])
    assert box.state == does


def test_an_empty_one_that_is_stopped_is_still_empty() -> None:
    box = absolute()
    box.receive(1.0, cc("stop"))
    assert (box.state, box.turns) == ("idle", [])
    box.receive_all([(2.0, cc("record")), (3.0, cc("stop"))])
    assert (box.state, box.loop_s) == ("stopped", 1.0)


def test_a_toggle_records_plays_and_overdubs_by_its_one_switch() -> None:
    box = toggle()
    states = []
    for second in range(1, 6):
        box.receive(float(second), cc("step"))
        states.append(box.state)
    assert states == ["recording", "playing", "overdubbing", "playing", "overdubbing"]
    assert (box.loop_s, box.open_since, box.erased) == (1.0, 5.0, 0)


def test_one_that_was_stopped_is_played_by_its_one_switch() -> None:
    box = toggle()
    box.receive_all([(1.0, cc("step")), (3.0, cc("step"))])
    box.press(4.0, "stop")
    box.receive(5.0, cc("step"))
    assert box.turns[-2:] == [Turn(4.0, "playing", "stopped", True), Turn(5.0, "stopped", "playing", False)]
    assert box.loop_s == 2.0


def test_its_latency_moves_what_messages_do_and_not_what_its_own_switch_does() -> None:
    box = absolute(latency_s=0.03)
    box.receive(1.0, cc("record"))
    assert box.open_since == 1.03
    box.press(3.0, "play")
    assert box.turns[-1].at == 3.0
    assert box.loop_s == pytest.approx(1.97)
    box.receive(4.0, cc("stop"))
    box.press(4.01, "play")  # before the stop had its effect, which comes first all the same
    assert [turn.at for turn in box.turns[-2:]] == [4.03, 4.03]


def test_a_loop_that_is_recorded_over_or_cleared_is_counted_and_gone() -> None:
    box = absolute()
    box.receive_all([(1.0, cc("record")), (2.0, cc("play")), (3.0, cc("record"))])
    assert (box.erased, box.loop_s) == (1, None)
    box.receive_all([(5.0, cc("overdub")), (6.0, cc("clear"))])
    assert (box.erased, box.loop_s) == (2, None)
    box.receive_all([(7.0, cc("record")), (8.0, cc("clear"))])
    assert (box.erased, box.loop_s) == (2, None), "what was never closed was no loop"


def test_a_message_that_it_does_not_know_changes_nothing_and_is_counted() -> None:
    box = toggle()
    box.receive_all([(1.0, cc("step")), (2.0, cc("record")), (3.0, b"\xf8"), (4.0, cc("step") * 2)])
    assert (box.state, len(box.turns), box.unknown) == ("recording", 1, 3)


@pytest.mark.parametrize("at", [0.9, float("nan"), float("inf")])
def test_what_is_out_of_order_is_refused_and_changes_nothing(at: float) -> None:
    box = toggle()
    box.receive(1.0, cc("step"))
    for told in (cc("step"), b"\xf8"):
        with pytest.raises(ValueError, match="in order of time"):
            box.receive(at, told)
    with pytest.raises(ValueError, match="in order of time"):
        box.press(at, "play")
    assert (box.state, box.unknown) == ("recording", 0)


@pytest.mark.parametrize("latency_s", [-0.001, 1.1, float("nan")])
def test_a_latency_that_no_looper_has_is_refused(latency_s: float) -> None:
    with pytest.raises(ValueError, match=r"latency_s must be 0\.\.1 s"):
        absolute(latency_s)
    with pytest.raises(ValueError, match="knows no message"):
        LoopBox({})


@given(steps=st.lists(st.tuples(st.floats(0, 60), st.sampled_from(EDGES), st.booleans()), max_size=40))
def test_its_turns_are_one_unbroken_line_and_tell_what_it_does(steps: list[tuple[float, BoxEdge, bool]]) -> None:
    box = LoopBox({cc(edge): edge for edge in EDGES}, latency_s=0.02)
    at = 0.0
    for wait_s, edge, by_hand in steps:
        at += wait_s
        before = box.state
        if by_hand:
            box.press(at, edge)
        else:
            box.receive(at, cc(edge))
        assert box.state == MOVES[edge][before]
    states = ["idle", *(turn.now for turn in box.turns)]
    assert states == [*(turn.was for turn in box.turns), box.state]
    assert all(turn.was != turn.now for turn in box.turns)
    assert [turn.at for turn in box.turns] == sorted(turn.at for turn in box.turns)
    assert (box.open_since is not None) == (box.state in OPEN)
