"""What `tapebridge measure` takes, and what it refuses before anything sounds."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge.cli import main

RIG = """
[[decks]]
name = "north"
channels = [1]
[[pedals]]
name = "stutter"
port = "Pedals B"
listens_to = "north"
"""


@pytest.fixture
def rig(tmp_path: Path) -> str:
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    return str(path)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "Name one of --output (a click), --pedal or --port (a note). For instance: tapebridge measure latency"),
        (["--input", "1"], "Name one of --output (a click), --pedal or --port (a note)."),
        (["--output", "1"], "Name with --input which input hears it, counted from 1. For instance: tapebridge"),
        (["--input", "1", "--output", "1", "--port", "Pedals B"], "Name one of"),
        (["--input", "0", "--output", "1"], "'0' was found there. Write it as a whole number from 1 on."),
        (
            ["--input", "1", "--output", "1", "--level", "-11"],
            "'-11' was found there. Write DB as a number of -60 to -12.",
        ),
        (["--input", "1", "--output", "1", "--level", "nan"], "'nan' was found there. Write DB as a number of -60"),
        (["--input", "1", "--pedal", "stutter"], "--pedal wants the rig that names it"),
        (
            ["--input", "1", "--port", "Pedals B", "--note", "128"],
            "'128' was found there. Write it as a whole number of 0 to 127.",
        ),
    ],
)
def test_wrong_use_is_told_and_exits_with_2(words: list[str], said: str) -> None:
    done = CliRunner().invoke(main, ["measure", "latency", *words])
    assert done.exit_code == 2
    assert said in done.output


def test_a_pedal_that_the_rig_lacks_is_told_with_those_that_it_has(rig: str) -> None:
    done = CliRunner().invoke(main, ["measure", "latency", rig, "--input", "1", "--pedal", "long echo"])
    assert done.exit_code == 2
    assert 'has no pedal called "long echo"; it has stutter' in done.output


def test_a_click_is_not_played_before_a_word_of_caution(rig: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is plugged in: the caution comes before any device is asked for."""
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody-serves-here")
    done = CliRunner().invoke(main, ["measure", "latency", rig, "--input", "1", "--output", "1"])
    assert "turn monitors down and take headphones off" in done.output


@pytest.mark.parametrize("words", [["clock"], ["clock", "Pedals A"], ["clock", "A", "B", "--for", "0.5"]])
def test_a_clock_wants_two_ports_and_a_second(words: list[str]) -> None:
    assert CliRunner().invoke(main, ["measure", *words]).exit_code == 2


@pytest.mark.parametrize("words", [["measure"], ["measure", "latency"], ["measure", "clock"]])
def test_each_tells_how_it_is_used(words: list[str]) -> None:
    done = CliRunner().invoke(main, [*words, "--help"])
    assert done.exit_code == 0
    if len(words) > 1:
        assert "Example:\n    tapebridge measure" in done.output
