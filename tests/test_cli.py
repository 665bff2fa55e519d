"""The command line: what it prints, where it refuses, how it exits."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from types import SimpleNamespace

import click
import pytest
from click.testing import CliRunner

from bridge import __version__, live
from bridge.actions import VERBS
from bridge.cli import main
from bridge.edge import control
from bridge.testing.clips import clips_folder


def call(*arguments: str):
    """Run a command in this process."""
    return CliRunner().invoke(main, list(arguments))


def all_commands(group: click.Group = main, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Yield the words of every command, those within a group too."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from all_commands(command, (*path, name))
        else:
            yield *path, name


def test_the_help_names_every_command():
    """At least those without which there is no set."""
    listed = [line.split()[0] for line in call("--help").output.partition("Commands:")[2].splitlines() if line.strip()]
    assert listed == sorted({words[0] for words in all_commands()})
    assert {"check", "end", "follow", "mark", "ports", "rehearse", "review", "run"} <= set(listed)


@pytest.mark.parametrize("words", list(all_commands()), ids=" ".join)
def test_every_command_has_help_with_an_example_that_can_be_parsed(words):
    result = call(*words, "--help")
    assert result.exit_code == 0
    example = result.output.split("Example:")[1].split("Options:")[0].strip()
    assert example.startswith(f"tapebridge {' '.join(words)}")


def test_the_version_is_told():
    assert __version__ in call("--version").output


@pytest.mark.parametrize(
    "arguments",
    [
        ("fly",),
        ("run",),
        ("follow",),
        ("rehearse", "--seed", "x"),
        ("mark",),
        ("hands", "off"),
        ("keep",),
        *(("run", "rig.toml", "--for", length) for length in ("-1", "0", "nan", "inf", "1e400")),
    ],
)
def test_wrong_use_exits_with_2(arguments):
    assert call(*arguments).exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("run", "rig.toml", "--for", "abc"), "'--for': 'abc' was found there. Write SECONDS as a number above 0."),
        (("run", "rig.toml", "--for", "0"), "'--for': '0' was found there. Write SECONDS as a number above 0."),
        (("run", "rig.toml", "--for", "inf"), "'--for': 'inf' was found there. Write SECONDS as a number above 0."),
        (("rehearse", "--seed", "x"), "'--seed': 'x' was found there. Write it as a whole number from 0 on."),
        (("rehearse", "--seed", "2.5"), "'--seed': '2.5' was found there. Write it as a whole number from 0 on."),
        (
            ("follow", "x", "--tempo-hint", "9"),
            "'--tempo-hint': '9' was found there. Write BPM as a number of 20 to 400.",
        ),
        (
            ("review", "x", "--cut", "1", "--bars", "0"),
            "'--bars': '0' was found there. Write it as a whole number of 1",
        ),
    ],
)
def test_a_number_that_is_none_is_refused_with_what_was_found_and_what_to_write(arguments, told):
    assert told in " ".join(call(*arguments).output.split())


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("end",), "No set is running. Start one: tapebridge run RIG"),
        (("mark", "the", "ferry"), "No set is running. Start one: tapebridge run RIG"),
        (("hands", "off", "long echo"), "No set is running. Start one: tapebridge run RIG"),
        (("keep", "north"), "No set is running. Start one: tapebridge run RIG"),
        (("follow", "absent.wav"), "absent.wav: the file cannot be read"),
        (("review", "absent"), "absent: there is no such folder"),
        (("check", "absent.toml"), "absent.toml"),
        (("run", "absent.toml"), "absent.toml"),
    ],
)
def test_a_refusal_is_said_on_one_line_and_exits_with_1(tmp_path, monkeypatch, arguments, told):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TAPEBRIDGE_RUNTIME", str(tmp_path / "runtime"))
    result = call(*arguments)
    assert result.exit_code == 1
    assert told in result.output
    assert len(result.output.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "asked"),
    [
        (("hands", "off", "long echo"), ("hands off", "long echo")),
        (("hands", "on", "long echo"), ("hands on", "long echo")),
        (("keep", "north"), ("keep", "north")),
        (("let-go", "north"), ("let go", "north")),
        (("go", "long echo"), ("go", "long echo")),
        (("mark", "the", "ferry"), ("mark", "the ferry")),
        (("do", "arm:", "loop", "box"), ("arm", "loop box")),
    ],
)
def test_what_is_done_by_hand_is_asked_of_the_set_that_runs(monkeypatch, arguments, asked):
    done = []
    monkeypatch.setattr(control, "ask", lambda action: done.append((action.verb, *action.names)))
    result = call(*arguments)
    assert (result.exit_code, result.output, done) == (0, "", [asked])
    assert asked[0] in VERBS


def test_what_nobody_can_do_is_wrong_use() -> None:
    result = call("do", "arm")
    assert result.exit_code == 2
    assert "must be written arm: LOOPER" in result.output


def test_the_help_of_do_names_everything_that_can_be_asked_for() -> None:
    shown = call("do", "--help").output
    assert all(f"\n  {verb}" in shown for verb in VERBS)


def test_run_tells_of_an_unknown_osc_host_before_the_set_begins(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    rig = '[[decks]]\nname = "north"\nchannels = [1]\n[osc]\nhost = "no.such.host.invalid"\nport = 9000\n'
    (tmp_path / "rig.toml").write_text(rig)
    result = call("run", "rig.toml")
    assert result.exit_code == 1
    assert 'rig.toml: osc.host = "no.such.host.invalid" is unknown here' in result.output
    assert not (tmp_path / "recordings").exists()


@pytest.mark.parametrize("failed", [True, False])
def test_run_exits_with_1_where_the_take_did_not_end_in_order(monkeypatch, failed):
    ended = SimpleNamespace(why="Ctrl-C", failed=failed)
    played = SimpleNamespace(ended=ended, review="takes/ferry-night/review.html")
    monkeypatch.setattr(live, "play_live", lambda rig, for_s: played)
    result = call("run", "rig.toml")
    assert "Ended: Ctrl-C. Review: takes/ferry-night/review.html" in result.output
    assert ("may be missing" in result.output) == failed
    assert result.exit_code == failed


def test_check_tells_all_faults_at_once(tmp_path):
    rig = tmp_path / "rig.toml"
    rig.write_text('[[decks]]\nname = "north"\nchanels = [1]\n\n[[pedals]]\nname = "long echo"\nlistens_to = "nort"\n')
    result = call("check", str(rig))
    assert result.exit_code == 1
    assert "line 3" in result.output
    assert "channels" in result.output
    assert "port" in result.output
    assert "nort" in result.output


def test_follow_prints_what_was_heard_and_writes_beats(tmp_path):
    clip = clips_folder() / "gravel-path.flac"
    result = call("follow", str(clip), "--beats", str(tmp_path / "beats.tsv"))
    assert result.exit_code == 0
    assert "following" in result.output
    assert len((tmp_path / "beats.tsv").read_text().splitlines()) > 3
    told = json.loads(call("follow", str(clip), "--json").output)
    assert told["length_s"] == 8.0


def test_follow_takes_a_hint_only_within_what_the_bridge_handles():
    clip = str(clips_folder() / "gravel-path.flac")
    assert call("follow", clip, "--tempo-hint", "600").exit_code == 2
    assert call("follow", clip, "--tempo-hint", "120").exit_code == 0


def test_follow_goes_by_what_is_named_and_by_nothing_else():
    clip = str(clips_folder() / "winch-room.flac")
    said = [call("follow", clip, "--follower", kind, "--json").output for kind in ("net", "onsets", "aubio")]
    beats = [[fact["at"] for fact in json.loads(one)["facts"] if fact["fact"] == "BeatPlaced"] for one in said]
    assert all(len(times) > 3 for times in beats)
    assert beats[0] != beats[1] != beats[2] != beats[0]
    assert call("follow", clip, "--follower", "drums").exit_code == 2


def test_what_was_heard_goes_to_standard_output_and_a_refusal_to_standard_error():
    clip = str(clips_folder() / "winch-room.flac")
    program = [sys.executable, "-m", "bridge"]
    shown = subprocess.run([*program, "follow", clip], capture_output=True, text=True, timeout=60)
    assert shown.returncode == 0
    assert shown.stderr == ""
    refused = subprocess.run([*program, "follow", "absent.wav"], capture_output=True, text=True, timeout=60)
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "Traceback" not in refused.stderr


@pytest.mark.jack
def test_ports_lists_sound_and_midi_by_the_names_that_a_rig_uses(jack_server):
    program = [sys.executable, "-m", "bridge", "ports"]
    shown = subprocess.run(program, env=jack_server.env, capture_output=True, text=True, timeout=60)
    assert shown.returncode == 0
    assert '"system, JACK Audio Connection Kit": 2 inputs, 48000 frames/s' in shown.stdout
    listed = subprocess.run([*program, "--json"], env=jack_server.env, capture_output=True, text=True, timeout=60)
    assert [device["inputs"] for device in json.loads(listed.stdout)["sound"]] == [2]


def test_importing_the_command_line_loads_nothing_that_the_sender_must_not_have():
    """`run` becomes the sender: until the set is over it has neither numpy nor anything of the sound.

    Nor does any other command, until it runs: the help loads them all.
    """
    modules = ", ".join(f"bridge.commands.{name.replace('-', '_')}" for name in main.list_commands(click.Context(main)))
    code = (
        f"import sys, bridge.cli, bridge.live, {modules};"
        "print(sorted({name.partition('.')[0] for name in sys.modules}"
        " & {'numpy', 'scipy', 'aubio', 'sounddevice', 'soundfile', 'jinja2'}))"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=os.environ, timeout=60)
    assert shown.stdout.strip() == "[]"
